"""The data files ``compression.csv`` and ``results.json``; the calculator's data.

Texts only; whoever calls writes them. Fields that this version does not fill are there and
empty. ``reportlib/schema/results.schema.json`` describes the JSON.

The script reckons as `seat`, `need` and `exposure` do; here it gets the seats, the needs,
what was measured of each band, the constants of those modules, and every word that it says.
"""

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import resources
from typing import Any, Literal

from reportlib.judge.exposure import NIOSH_CEILING_DBA
from reportlib.judge.grades import played_results
from reportlib.judge.need import (
    GRAVEST_FIRST,
    NEEDS,
    SINE_CREST_DB,
    Ability,
    abilities,
    band_share_db,
)
from reportlib.judge.records import Analysis, BandResult, Limit
from reportlib.judge.seat import (
    DIRECTIVITY_HZ,
    DIRECTIVITY_INDEX_DB,
    DIRECTIVITY_TOLERANCE_DB,
    GRID_HZ,
    HALF_SPACE_DB,
    MODAL_GAIN_DB,
    ROOM_GAIN_DB,
    WHOLE_FROM_HZ,
    Seat,
    all_seats,
    eyring_absorption,
    given_levels,
    is_calibrated,
    room_constant_m2,
    sabine_absorption,
    starts_at,
)
from reportlib.judge.thresholds import NEED_LIMITS_DB
from reportlib.measure.levels import BANDS, GRID_PER_OCTAVE, NOMINAL_HZ, G, pink_weighted_db
from reportlib.measure.records import ChangeCurve
from reportlib.numbers import hz_range_text
from reportlib.session.parameters import ReportParameters
from reportlib.write.listener import COUNTS, PLACES, size
from reportlib.write.quotes import Fact
from reportlib.write.readings_stress import coil_end
from reportlib.write.shown import CalculatorBand, CalculatorNeed, CalculatorPlace, SeatCalculator

CSV_COLUMNS = (
    "test",
    "level_db",
    "elapsed_s",
    "source",
    "frequency_hz",
    "change_db",
    "u95_db",
    "usable",
    "reason",
)
_DECIMALS = 4


def compression_csv(curves: Sequence[ChangeCurve]) -> str:
    """Write curves as tidy text, one row a point: UTF-8, LF, decimal point, 4 decimals."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for curve in curves:
        head = (curve.test, number_text(curve.level_db), number_text(curve.elapsed_s), curve.source)
        for point, frequency_hz in enumerate(curve.frequency_hz.tolist()):
            writer.writerow(
                (
                    *head,
                    number_text(frequency_hz),
                    number_text(curve.change_db[point]),
                    number_text(curve.u95_db[point]),
                    "true" if curve.usable[point] else "false",
                    curve.reason[point],
                )
            )
    return buffer.getvalue()


def results_document(analysis: Analysis, *, tool_version: str) -> dict[str, Any]:
    """Return what ``results.json`` holds, as JSON types."""
    session = analysis.session
    document = {
        "format": 1,
        "tool_version": tool_version,
        "speaker": {"name": session.speaker.name, "drive": session.speaker.drive},
        "date": session.date,
        "measured": {
            "sample_rate_hz": analysis.sample_rate_hz or None,
            "gate_s": analysis.gate_s,
            "lowest_hz": analysis.lowest_hz,
            "sweep_range_hz": list(analysis.sweep_range_hz),
            "smoothing_fraction": analysis.smoothing_fraction,
            "calibrated": analysis.baseline.calibrated,
            "baseline_level_db": analysis.baseline.mean_level_db,
            "distance_m": session.rig.distance_m,
            "space": session.rig.space,
            "reference_at": session.rig.reference_at,
        },
        "digests": dict(sorted(session.digests.items())),
        "quality": [asdict(note) for note in analysis.quality],
        "drive_steps": [asdict(step) for step in analysis.drive_steps],
        "bands": [
            _listed(result, but="lower_bound")
            for result in (*analysis.bands, *played_results(analysis.playing))
        ],
        "limits": [_listed(limit, but="untold_db") for limit in analysis.limits],
        "findings": [asdict(one) for one in analysis.findings],
        "thermal": thermal_list(analysis),
        "recovery": recovery_list(analysis),
        "coil": coil_list(analysis),
        "in_room": [asdict(seat) for seat in analysis.in_room],
        "exposure": _exposure(analysis),
        "needs": [asdict(answer) for answer in analysis.needs],
    }
    found = rounded(document)
    assert isinstance(found, dict)
    return found


def _listed(one: BandResult | Limit, *, but: str) -> dict[str, Any]:
    """A record as the format lists it, without what can be seen elsewhere."""
    return {name: value for name, value in asdict(one).items() if name != but}


def _exposure(analysis: Analysis) -> list[dict[str, Any]]:
    """Every level's allowances once, whichever seats it is heard at."""
    rows = [
        {name: value for name, value in asdict(one).items() if name not in ("heard", "asked_db")}
        for one in analysis.exposure
    ]
    return [row for index, row in enumerate(rows) if row not in rows[:index]]


def results_json(analysis: Analysis, *, tool_version: str) -> str:
    """Write ``results.json``: sorted as the format lists it, UTF-8, no NaN."""
    document = results_document(analysis, tool_version=tool_version)
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def facts_json(facts: Mapping[str, Fact]) -> str:
    """Write facts by name, for the tool's memory."""
    listed = {name: asdict(fact) for name, fact in sorted(facts.items())}
    return json.dumps(listed, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def facts_from_json(text: str) -> dict[str, Fact]:
    """Read what :func:`facts_json` wrote."""
    return {name: Fact(**fields) for name, fields in json.loads(text).items()}


def results_schema(kind: Literal["results", "comparison"] = "results") -> dict[str, Any]:
    """Return the JSON Schema of a report's ``results.json``, or of a comparison's."""
    file = resources.files("reportlib").joinpath(f"schema/{kind}.schema.json")
    schema: dict[str, Any] = json.loads(file.read_text("utf-8"))
    return schema


def number_text(value: float | None) -> str:
    """Write a number with 4 decimals, nothing where there is none or it is not finite."""
    if value is None or not math.isfinite(value):
        return ""
    text = f"{value:.{_DECIMALS}f}"
    return "0.0000" if float(text) == 0.0 else text


def rounded(value: object) -> object:
    """Round numbers to 6 decimals, so that files do not differ by the last bit."""
    if isinstance(value, float):
        return round(value, 6) + 0.0 if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(item) for item in value]
    return value


def thermal_list(analysis: Analysis) -> list[dict[str, Any]]:
    """One entry a level and band: its exponentials, and the loss projected to 10 min.

    `u95_db` is that of the projection, where it was refused of the loss when the stress ended,
    and null where there is no fit.
    """
    found = []
    for playing in analysis.playing:
        for band in BANDS:
            track = playing.group(band.name)
            if track is None:
                continue
            fit = track.fit
            terms = fit.terms if fit is not None else ()
            u95_db = None
            if fit is not None:
                refused = fit.projected_600_s_db is None
                u95_db = fit.end_loss_u95_db if refused else fit.projected_u95_db
            found.append(
                {
                    "level_db": playing.level_db,
                    "band": band.name,
                    "low_hz": track.low_hz,
                    "high_hz": track.high_hz,
                    "time_constants_s": [term.time_constant_s for term in terms],
                    "losses_db": [term.loss_db for term in terms],
                    "identifiable": [term.identifiable for term in terms],
                    "projected_600_s_db": None if fit is None else fit.projected_600_s_db,
                    "u95_db": u95_db,
                }
            )
    return found


def recovery_list(analysis: Analysis) -> list[dict[str, Any]]:
    """One entry a level, stage and band: the change at the end, and what the sweep then saw."""
    return [
        {
            "level_db": playing.level_db,
            "elapsed_s": playing.stages[one.stage].elapsed_s,
            "band": one.name,
            **{name: value for name, value in asdict(one).items() if name not in ("stage", "name")},
        }
        for playing in analysis.playing
        for one in playing.recovery
    ]


def coil_list(analysis: Analysis) -> list[dict[str, Any]]:
    """One entry a level whose coil can be told: cold, and when the stress ended."""
    found = []
    for playing in analysis.playing:
        end = coil_end(playing, playing.coil) if playing.coil is not None else None
        if playing.coil is None or end is None:
            continue
        found.append(
            {
                "level_db": playing.level_db,
                "unit": playing.coil.unit,
                "low_hz": playing.coil.low_hz,
                "high_hz": playing.coil.high_hz,
                "elapsed_s": end.elapsed_s,
                "cold_ohm": playing.coil.cold_ohm,
                "ambient_c": playing.coil.ambient_c,
                "ambient_assumed": playing.coil.ambient_assumed,
                "hot_ohm": end.ohm,
                "rise_k": end.rise_k,
                "rise_u95_k": end.rise_u95_k,
                "expected_db": end.expected_db,
                "heard_db": end.heard_db,
                "heard_u95_db": end.heard_u95_db,
            }
        )
    return found


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
    "mind ears": "Treat these as upper limits, not safe times; ringing ears or dulled hearing "
    "mean: stop, and stay in the quiet. Local rules and a hearing specialist come first.",
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
        "arrives there at {low} to {high} dB, after compression."
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
