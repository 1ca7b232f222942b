"""From level to level, and takes of one level against each other: do names and data agree.

Takes are compared as a whole, in a stretch of frequency, and in a moment; levels by who turned
which knob.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtri

from reportlib.check.kinds import found
from reportlib.check.trace import OCTAVES_HZ, Trace
from reportlib.measure.compression import Setting
from reportlib.measure.levels import db, moving_octave_mean, nominal
from reportlib.measure.records import Response
from reportlib.measure.sweep import SweepLaw
from reportlib.measure.uncertainty import TAKES_APART_DB, noise_db
from reportlib.numbers import frequency, number
from reportlib.session.day import Session
from reportlib.session.records import FloatArray, QualityNote

LOCAL_DB, LOCAL_NOISES = 0.4, 6.0
"""Largest local difference that takes may show: this, or so many standard deviations of what
noise explains (common practice, no source)."""
FADES = 2.0 ** (1.0 / 6.0)
"""How far from a sweep's ends it may still fade: there takes are not held against each other, nor
does what they differ by there count beside it (judgement)."""
BURST_DB = 8.0
BURST_CHANCE = 1e-9
"""Of noise alone in one block; a day has some 10⁴ blocks and octaves."""
BURST_MATTERS_DB = 0.1


def take_notes(setting: Setting) -> list[QualityNote]:
    """Say where takes of one level differ as a whole by more than they should."""
    if len(setting.takes) < 2:
        return []
    inside = nominal(setting.takes[0].frequency_hz)
    levels = np.stack([db(take.power)[inside] for take in setting.takes])
    if not np.isfinite(levels).all(axis=0).any():  # column text may have a gap all over
        return []
    with np.errstate(invalid="ignore"):
        offset = np.nanmean(levels - np.median(levels, axis=0), axis=1)
    apart = float(np.ptp(offset))
    if not apart > TAKES_APART_DB:
        return []
    return [
        found(
            "takes-differ",
            "warning",
            capture=setting.takes[int(np.argmax(np.abs(offset)))].source,
            message=f"The takes at {setting.level_db:g} dB lie {number(apart, 1)} dB apart as a "
            "whole; they are averaged and the interval is widened. Check gain and microphone, "
            "and take this level again.",
        )
    ]


def local_notes(
    setting: Setting,
    *,
    traces: Mapping[str, Trace],
    law: SweepLaw,
    gate_s: float,
    lowest_hz: float = 0.0,
    apart_as_a_whole: bool = False,
) -> list[QualityNote]:
    """Find a noise burst in one take, or else a stretch in which the takes differ.

    `apart_as_a_whole`: the takes were found to differ there, so that a burst matters.
    """
    takes = setting.takes
    if len(takes) < 2:
        return []
    grid = takes[0].frequency_hz
    levels = np.stack([db(take.power) for take in takes])
    with np.errstate(invalid="ignore"):
        apart = levels - np.median(levels, axis=0)
        apart -= np.nanmedian(apart, axis=1, keepdims=True)
        apart_db = np.ptp(apart, axis=0)
    inside = (grid >= max(lowest_hz, law.start_hz * FADES)) & (grid <= law.stop_hz / FADES)
    spread = moving_octave_mean(apart_db, frequency_hz=grid, octaves=1 / 6, keep=inside)
    # A cell of 1/12 octave is independent of the next but one: 1/6 octave averages two.
    chance = np.sqrt(np.sum([np.square(noise_db(take)) for take in takes], axis=0))
    bursts = _bursts(setting, traces=traces, law=law)
    if bursts:
        notes = []
        for take, (time_s, excess_db, octave_hz) in bursts.items():
            # A burst at t stands in the gate of what the sweep passed up to a gate earlier.
            first_hz = law.frequency_hz(time_s - gate_s - 0.1)
            last_hz = law.frequency_hz(time_s + 0.1)
            near = inside & (grid >= first_hz) & (grid <= last_hz)
            moved = float(np.max(np.nan_to_num(spread[near]), initial=0.0))
            matters = apart_as_a_whole or moved > max(
                BURST_MATTERS_DB, float(np.max(3.0 * chance[near], initial=0.0))
            )
            notes.append(
                found(
                    "noise-burst",
                    "warning" if matters else "note",
                    capture=take.source,
                    message=f"Something else was heard {number(max(time_s, 0.0), 2)} s into the "
                    f"sweep, as it passed {frequency(law.frequency_hz(max(time_s, 0.0)))}: "
                    f"{number(excess_db, 0)} dB more around {frequency(octave_hz)} than in the "
                    + (
                        f"other take. It moves the level by up to {number(moved, 1)} dB. Take "
                        "this level again."
                        if matters
                        else "other take. It moves the level by less than can be told."
                    ),
                )
            )
        return notes
    over = np.where(
        inside & np.isfinite(spread), spread - np.maximum(LOCAL_DB, LOCAL_NOISES * chance), -1.0
    )
    worst = int(np.argmax(over))
    if over[worst] <= 0.0:
        return []
    return [
        found(
            "takes-differ-locally",
            "warning",
            capture=takes[int(np.argmax(np.abs(apart[:, worst])))].source,
            message=f"The takes at {setting.level_db:g} dB lie {number(spread[worst], 1)} dB apart "
            f"around {frequency(float(grid[worst]))}, more than noise explains: a rattle, or a "
            "disturbance in one of them. The interval is widened there. Take this level again.",
        )
    ]


def _bursts(
    setting: Setting, *, traces: Mapping[str, Trace], law: SweepLaw
) -> dict[Response, tuple[float, float, float]]:
    """Take, and where its largest burst lies: seconds into the sweep, dB, octave's middle."""
    known = [traces[take.source] for take in setting.takes]
    count = min(trace.blocks.shape[0] for trace in known)
    if count == 0 or len({trace.blocks.shape[0] for trace in known}) > 1:
        return {}
    powers = np.stack([trace.blocks[:count] for trace in known])
    dof = known[0].block_dof
    limit_db = np.maximum(BURST_DB, 10.0 * np.log10(fdtri(dof, dof, 1.0 - BURST_CHANCE)))
    middle_hz = np.sqrt(np.array(OCTAVES_HZ[:-1]) * np.array(OCTAVES_HZ[1:]))
    result: dict[Response, tuple[float, float, float]] = {}
    for index, take in enumerate(setting.takes):
        others: FloatArray = np.delete(powers, index, axis=0).max(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            excess = 10.0 * np.log10(powers[index] / others)
        over = np.where(np.isfinite(excess), excess - limit_db, -np.inf)
        if not np.any(over > 0.0):
            continue
        block, octave = np.unravel_index(int(np.argmax(over)), over.shape)
        time_s = (float(block) + 1.0) * known[0].block_s
        result[take] = (time_s, float(excess[block, octave]), float(middle_hz[octave]))
    return result


WHOLE = ("clipped", "flat-tops", "dropout")
"""Codes of what befalls one take, so that its sister is the level's."""
ODD_DB = 3.0


def _sisters(session: Session) -> list[tuple[str, ...]]:
    """Takes of one level and one moment."""
    entries = [entry.captures for entry in (*session.short_term, *session.baseline_again)]
    return [*entries, *(entry.before for entry in session.long_term)]


def sister_notes(
    session: Session, responses: Mapping[str, Response], *, told: Sequence[QualityNote]
) -> list[QualityNote]:
    """Leave a take out that clipped or lost samples in its sweep, where another is whole.

    Parameters
    ----------
    told : what was said of the recordings, of which that is known
    """
    faults = {
        note.capture: note
        for note in told
        if note.code in WHOLE and note.capture in responses and any(responses[note.capture].untold)
    }
    notes = []
    for takes in _sisters(session):
        known = [path for path in takes if path in responses]
        if not set(known) - set(faults):
            continue
        notes += [
            found(
                faults[path].code,
                "refused",
                capture=path,
                message=f"Left out, as another take of this level is whole. {faults[path].message}",
            )
            for path in known
            if path in faults
        ]
    return notes


def odd_notes(captures: Sequence["Placed"], *, session: Session) -> list[QualityNote]:
    """Leave out what a touched gain moved: a take, or a level between two others.

    A take where another of its level agrees with the levels beside; all of a level where both the
    level below and the one above say otherwise, as no loudspeaker does. What begins at one level
    and stays is for `chain.touched_notes` to tell.
    """
    off = {one.source: one.heard_db - one.drive_db for one in captures}
    if not session.reference_counts:
        off = {one.source: one.heard_db - one.asked_db for one in captures}
    groups = [
        [path for path in entry.captures if path in off]
        for entry in (*session.short_term, *session.baseline_again)
    ]
    groups = [group for group in groups if group]
    notes = []
    for place, group in enumerate(groups):
        beside = [path for near in groups[max(0, place - 1) : place] for path in near]
        beside += [path for near in groups[place + 1 : place + 2] for path in near]
        if len(group) < 2 or not beside:
            continue
        usual_db = float(np.median([off[path] for path in beside]))
        apart = {path: off[path] - usual_db for path in group}
        if not min(abs(one) for one in apart.values()) < MISFIT_DB:
            continue
        notes += [
            found(
                "takes-differ",
                "refused",
                capture=path,
                message=f"It stands {_signed(one)} dB off from the levels beside it as a whole, "
                "and another take of its level does not: a gain was touched. It is left out. "
                "Take this level again.",
            )
            for path, one in apart.items()
            if abs(one) > ODD_DB
        ]
    gone = {note.capture for note in notes}
    levels = [
        (entry, [path for path in entry.captures if path in off and path not in gone])
        for entry in session.short_term
    ]
    levels = [(entry, takes) for entry, takes in levels if takes]
    mean = [float(np.median([off[path] for path in takes])) for _, takes in levels]
    for place in range(1, len(levels) - 1):
        below, above = mean[place] - mean[place - 1], mean[place] - mean[place + 1]
        if min(abs(below), abs(above)) > ODD_DB and (below > 0.0) == (above > 0.0):
            entry, takes = levels[place]
            notes += [
                found(
                    "gain-touched",
                    "refused",
                    capture=path,
                    message=f"At {entry.level_db:g} dB it stands {_signed(below)} dB off from the "
                    f"level below and {_signed(above)} dB from the one above: a gain was touched. "
                    "It is left out. Take this level again, or write its input_gain_db down.",
                )
                for path in takes
            ]
    return notes


MISFIT_DB = 1.5
"""Name and data disagree: more than a knob's tolerance, less than a step of a ladder (3 dB)."""
FITS_DB = 0.75
FEWEST_STEPS_DB = 3.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Placed:
    """One capture at its place on the ladder.

    Attributes
    ----------
    source : path in the session folder
    level_db : level that it is listed under
    asked_db : drive that it is listed with, over the baseline
    drive_db : drive in the reference (or the stimulus), dB re full scale
    heard_db : mean of the power at the microphone over 200–5000 Hz, input gain taken off
    rested : before any stress, so that heat does not lower it
    """

    source: str
    level_db: float
    asked_db: float
    drive_db: float
    heard_db: float
    rested: bool


def placed(session: Session, responses: Mapping[str, Response]) -> tuple[Placed, ...]:
    """Return every capture that was measured, at its place, the baseline's first."""
    entries = [
        (path, entry.level_db, entry.drive_db, entry.input_gain_db, True)
        for entry in (*session.short_term, *session.baseline_again)
        for path in entry.captures
    ]
    for level in session.long_term:
        of_level = (level.level_db, level.sweep_drive_db, 0.0)
        entries += [(path, *of_level, True) for path in level.before]
        entries += [(path, *of_level, False) for stage in level.stages for path in stage.after]
    result = []
    for path, level_db, asked_db, gain_db, rested in entries:
        if path not in responses:
            continue
        response = responses[path]
        inside = nominal(response.frequency_hz)
        drive_db = 20.0 * math.log10(max(response.drive_amplitude, 1e-12))
        power = max(float(np.mean(response.power[inside])), 1e-30)
        result.append(
            Placed(
                source=path,
                level_db=level_db,
                asked_db=asked_db,
                drive_db=drive_db,
                heard_db=float(db(power)) + drive_db - gain_db,
                rested=rested,
            )
        )
    return tuple(result)


def knob_notes(captures: Sequence[Placed], *, session: Session) -> list[QualityNote]:
    """Find a reference that does not do what ``volume_at`` says, or levels that were not kept."""
    kept = session.channels.reference is None and not session.of_impulse_responses
    if kept or not captures:
        return []
    asked = np.array([one.asked_db for one in captures])
    if np.ptp(asked) < FEWEST_STEPS_DB:
        return []
    drive_slope = _slope(asked, [one.drive_db for one in captures])
    heard_slope = _slope(asked, [one.heard_db for one in captures])
    raised = [one for one in captures if one.asked_db != captures[0].asked_db]
    rise = number(float(np.ptp(asked)), 0)
    if session.of_impulse_responses:
        if heard_slope > 0.2:
            return []
        text = (
            f"The drive rose by up to {rise} dB and this impulse response hardly did: it was "
            "normalised, or divided by its own drive. Left out, as its curve would be a loss that "
            "is not there. Export all with the level as measured, divided by one and the same "
            "stimulus."
        )
        code = "level-not-kept"
    elif session.reference_counts and drive_slope < 0.2 and heard_slope > 0.5:
        text = (
            f"The volume was raised by up to {rise} dB and the microphone heard it, but the "
            "reference stayed where it was: the volume was turned behind it. Left out, as its "
            'curve would be a gain that is not there. Set volume_at = "after reference" in [rig].'
        )
        code = "volume-behind-reference"
    elif not session.reference_counts and drive_slope > 0.8:
        text = (
            f"volume_at says that the volume was turned behind the reference, but the reference "
            f"rose with it, by up to {rise} dB. Left out, as every step would be counted twice. "
            'Set volume_at = "before reference" in [rig].'
        )
        code = "volume-before-reference"
    else:
        return []
    return [found(code, "refused", capture=one.source, message=text) for one in raised]


def order_notes(captures: Sequence[Placed], *, session: Session) -> list[QualityNote]:
    """Find captures that were not made at the level that they are listed under.

    By the measured drive where a reference counts, else by the level at the microphone, which
    compression can only lower.
    """
    by_drive = session.reference_counts
    known = [one for one in captures if by_drive or one.rested]
    if len({one.asked_db for one in known}) < 2:
        return []
    values = np.array([one.drive_db if by_drive else one.heard_db for one in known])
    off = values - np.array([one.asked_db for one in known])
    off = off - float(np.median(off))
    notes, done = [], set[int]()
    pairs = [
        (low, high)
        for low in range(len(known))
        for high in range(len(known))
        if known[high].asked_db - known[low].asked_db > MISFIT_DB
    ]
    for low, high in sorted(pairs, key=lambda pair: -off[pair[0]] + off[pair[1]]):
        rise = known[high].asked_db - known[low].asked_db
        if done & {low, high} or not _swapped(
            float(off[low]), float(off[high]), rise=rise, exact=by_drive
        ):
            continue
        done |= {low, high}
        a, b = known[low], known[high]
        for one, other in ((a, b), (b, a)):
            notes.append(
                found(
                    "captures-swapped",
                    "refused",
                    capture=one.source,
                    message=f"{one.source} is listed at {one.level_db:g} dB and {other.source} at "
                    f"{other.level_db:g} dB, but by {_by(by_drive)} each is the other’s: "
                    f"{_signed(off[low if one is a else high])} dB off its place. Both are left "
                    "out. Exchange them in session.toml.",
                )
            )
    for index, one in enumerate(known):
        if index in done or abs(off[index]) <= MISFIT_DB:
            continue
        fits = _fits(index, off=off, known=known, exact=by_drive)
        if fits is not None:
            notes.append(
                found(
                    "capture-mislabelled",
                    "refused",
                    capture=one.source,
                    message=f"It is listed at {one.level_db:g} dB, but by {_by(by_drive)} it lies "
                    f"{_signed(off[index])} dB off that and fits {fits.level_db:g} dB. It is left "
                    "out. List it where it belongs, or record this level again.",
                )
            )
    return notes


def _swapped(low_off: float, high_off: float, *, rise: float, exact: bool) -> bool:
    if exact:
        return abs(low_off - rise) < MISFIT_DB and abs(high_off + rise) < MISFIT_DB
    # What is louder than asked cannot be compression; what is quieter may be some of it.
    return max(
        MISFIT_DB, 0.5 * rise
    ) < low_off < rise + MISFIT_DB and -rise - 2.0 * MISFIT_DB < high_off < -max(
        MISFIT_DB, 0.5 * rise
    )


def _fits(index: int, *, off: np.ndarray, known: Sequence[Placed], exact: bool) -> Placed | None:
    """Return a capture at the level that this one fits, if names and data cannot both be right."""
    one = known[index]
    near = min(
        (other for other in known if abs(other.asked_db - one.asked_db) > FITS_DB),
        key=lambda other: abs(one.asked_db + off[index] - other.asked_db),
        default=None,
    )
    if near is None:
        return None
    distance = abs(one.asked_db + float(off[index]) - near.asked_db)
    if exact:
        return near if distance < FITS_DB else None
    if off[index] > 0.0:
        return near if distance < MISFIT_DB else None
    # Quieter than asked: compression does not come in one take, nor go away at higher levels.
    held = [
        off[place]
        for place, other in enumerate(known)
        if place != index and other.asked_db >= one.asked_db
    ]
    believable = held and max(held) - off[index] > MISFIT_DB
    return near if believable and distance < MISFIT_DB else None


def _slope(asked: np.ndarray, values: Sequence[float]) -> float:
    return float(np.polyfit(asked, np.asarray(values), 1)[0])


def _by(drive: bool) -> str:
    return "the drive in the reference" if drive else "the level at the microphone"


def _signed(value: float) -> str:
    return ("+" if value > 0 else "") + number(float(value), 1)
