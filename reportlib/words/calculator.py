"""The reader's calculator: what the page's script starts from, in numbers and in words.

The script reckons as `listening`, `need` and `exposure` do; here it gets the seats, the needs,
what was measured of each band, the constants of those modules, and every word that it says.
"""

import math
from collections.abc import Sequence

from reportlib.exposure import NIOSH_CEILING_DBA
from reportlib.levels import BANDS, GRID_PER_OCTAVE, G, pink_weighted_db
from reportlib.listening import Seat, all_seats, given_levels, is_calibrated, starts_at
from reportlib.listening.arriving import GRID_HZ, ROOM_GAIN_DB, WHOLE_FROM_HZ
from reportlib.listening.given import NOMINAL_HZ
from reportlib.model import Analysis
from reportlib.need import NEEDS, Ability, abilities
from reportlib.need.answers import GRAVEST_FIRST, band_share_db
from reportlib.need.wants import SINE_CREST_DB
from reportlib.numbers import hz_range_text
from reportlib.parameters import ReportParameters
from reportlib.rooms import (
    DIRECTIVITY_HZ,
    DIRECTIVITY_INDEX_DB,
    DIRECTIVITY_TOLERANCE_DB,
    HALF_SPACE_DB,
    MODAL_GAIN_DB,
    eyring_absorption,
    room_constant_m2,
    sabine_absorption,
)
from reportlib.shown import CalculatorBand, CalculatorNeed, CalculatorPlace, SeatCalculator
from reportlib.thresholds import NEED_LIMITS_DB
from reportlib.words.seat import COUNTS, PLACES, size

CAUTION_FROM_DBA = 85.0
"""From here on a word about ears stands beside the times: NIOSH's limit for a working day."""
_START = "relaxed music"
_FARTHEST_M, _MOST_LOUDSPEAKERS = 20.0, 6
_WORDS = {
    "yes": "Yes: {name} is loud enough for {what}, {place}.",
    "just": "Just: {name} manages {what}, {place}; no band comes out more than "
    f"{NEED_LIMITS_DB[1]:g} dB short.",
    "peaks only": "In part: {name} reaches the peaks of {what}, {place}, but was not left playing.",
    "no": "No: {name} is not loud enough for {what}, {place}.",
    "can't tell": "Can’t tell whether {name} is loud enough for {what}, {place}.",
    "not tested": "Not known: {name} was not tested loud enough for {what}, {place}.",
    "what": "{level} on average with peaks {crest} dB above",
    "place": "{distance} m from {count} {where}",
    "count": "{count} of them",
    "asks": "That asks each loudspeaker for {low} to {high} dB at 1 m on average, and for "
    "{peak_low} to {peak_high} dB in peaks.",
    "asks each": "By itself, each loudspeaker is asked for {low} to {high} dB at 1 m on average, "
    "and for {peak_low} to {peak_high} dB in peaks.",
    "arrives not": "What the loudest setting tested gives there can’t be told.",
    "loss": "{least}–{most}\u00a0dB",
    "loss so far": "{least}–{most}\u00a0dB, as far as tested",
    "untold": "can’t tell",
    "untested": "not tested",
    "no time": "no time at all",
    "ears": "At {level} dBA, NIOSH’s limit for work uses up a day’s sound in {day}; the WHO and "
    "ITU’s allowance, written for personal players, a week’s in {week}.",
    "ears week": "{level} dBA is within NIOSH’s limit for work however long it lasts; the WHO and "
    "ITU’s weekly allowance, written for personal players, is used up in {week}.",
    "ears free": "{level} dBA is too quiet to use up NIOSH’s limit for a working day, or the WHO "
    "and ITU’s weekly allowance for personal players, however long it lasts.",
    "mind ears": "Take these times as the most, not as safe; ringing ears or dulled hearing mean: "
    "stop, and stay in the quiet. Local rules and a hearing specialist come first.",
    "mind equipment": "Louder than tested, drive units and amplifiers can burn: raise the level in "
    "steps, leave nothing unattended, and stop at a rasp, a smell or a sudden drop.",
}
_SPEAKS_FOR = hz_range_text(BANDS[0].low_hz, BANDS[-1].high_hz)
_BANDS_NOTE = (
    f"The bars run from 0 to 6 dB; the strokes in them stand at {NEED_LIMITS_DB[0]:g} and "
    f"{NEED_LIMITS_DB[1]:g} dB. The answer speaks for {_SPEAKS_FOR}, and takes what is listened to "
    "as equally strong in every octave."
)


def seat_calculator(analysis: Analysis, *, parameters: ReportParameters) -> SeatCalculator | None:
    """Return the calculator's record; None where the sweeps tell nothing to reckon with."""
    session, baseline = analysis.session, analysis.baseline
    space, steps = session.rig.space, analysis.drive_steps
    start_db = starts_at(baseline, space=space)
    peaks, average = (
        abilities(
            analysis.bands,
            test=test,
            session=session,
            start_db=start_db,
            steps=steps,
            playing=analysis.playing,
        )
        for test in ("short_term", "long_term")
    )
    if not any(one.points for one in peaks):
        return None
    given = given_levels(baseline, curves=analysis.short_term, steps=steps, space=space)
    loudest_db = max(curve.level_db for curve in analysis.short_term)
    at_loudest = [one.given_db for one in given if one.asked_db == loudest_db]
    seats = all_seats(parameters)
    most = max(_MOST_LOUDSPEAKERS, seats[0].loudspeakers)
    return SeatCalculator(
        name=session.speaker.name,
        places=tuple(_place(seat) for seat in seats),
        needs=tuple(
            CalculatorNeed(
                name=need.name,
                average_db=need.average_db,
                weighting=need.weighting,
                weighting_db=pink_weighted_db(need.weighting),
                crest_db=need.crest_db,
                shared=need.shared,
            )
            for need in NEEDS
        ),
        bands=tuple(
            CalculatorBand(
                name=band.name,
                share_db=band_share_db(band),
                peaks=_points(sweeps),
                average=_points(stress),
            )
            for band, sweeps, stress in zip(BANDS, peaks, average, strict=True)
        ),
        start_need=[need.name for need in NEEDS].index(_START),
        given_db=at_loudest[0] if at_loudest else None,
        played_to_db=_loudest(average),
        free_db=-HALF_SPACE_DB if space == "half space" else 0.0,
        nominal_hz=NOMINAL_HZ,
        whole_from_hz=WHOLE_FROM_HZ,
        grid_first=math.ceil(math.log(GRID_HZ[0] / 1000.0, G) * GRID_PER_OCTAVE),
        grid_ratio=G,
        grid_per_octave=GRID_PER_OCTAVE,
        directivity_hz=DIRECTIVITY_HZ,
        directivity_db=DIRECTIVITY_INDEX_DB,
        directivity_tolerance_db=DIRECTIVITY_TOLERANCE_DB,
        modal_gain_db=MODAL_GAIN_DB,
        room_gain_db=ROOM_GAIN_DB,
        sine_crest_db=SINE_CREST_DB,
        programme_db=pink_weighted_db("A"),
        yes_within_db=NEED_LIMITS_DB[0],
        just_within_db=NEED_LIMITS_DB[1],
        gravest_first=GRAVEST_FIRST,
        niosh_ceiling_dba=NIOSH_CEILING_DBA,
        caution_from_dba=CAUTION_FROM_DBA,
        longest_distance_m=max(_FARTHEST_M, seats[0].distance_m),
        most_loudspeakers=most,
        counts=COUNTS,
        words={
            **_WORDS,
            "arrives": _arrives(loudest_db, measured=is_calibrated(baseline, space=space)),
            "bands": _BANDS_NOTE,
        },
    )


def _arrives(loudest_db: float, *, measured: bool) -> str:
    basis = "" if measured else " (if the asked-for levels were met)"
    return (
        f"The loudest setting tested, {loudest_db:g} dB asked of one loudspeaker at 1 m{basis}, "
        "arrives there at {low} to {high} dB, what is lost already taken off."
    )


def _place(seat: Seat) -> CalculatorPlace:
    room = seat.room
    dead, live = (
        room_constant_m2(room, absorption=absorption)
        for absorption in (sabine_absorption(room), eyring_absorption(room))
    )
    about = size(room) if seat.setup == room.name else f"{room.name}, {size(room)}"
    return CalculatorPlace(
        label=f"{seat.setup} ({about})",
        where=PLACES[room.name],
        distance_m=seat.distance_m,
        loudspeakers=seat.loudspeakers,
        schroeder_hz=room.schroeder_hz,
        back_dead=4.0 / dead,
        back_live=4.0 / live,
    )


def _points(ability: Ability) -> tuple[tuple[float, float | None, float], ...]:
    return tuple((one.level_db, one.loss_db, one.u95_db) for one in ability.points)


def _loudest(found: Sequence[Ability]) -> float | None:
    return max((one.points[-1].level_db for one in found if one.points), default=None)
