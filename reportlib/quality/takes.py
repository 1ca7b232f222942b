"""Takes of one level against each other: as a whole, in a stretch of frequency, in a moment."""

from collections.abc import Mapping

import numpy as np

from reportlib.compression import Setting
from reportlib.levels import db, moving_octave_mean
from reportlib.model import FloatArray, QualityNote, Response
from reportlib.numbers import frequency, number
from reportlib.quality.kinds import found
from reportlib.quality.trace import OCTAVES_HZ, Trace
from reportlib.stimulus import SweepLaw
from reportlib.uncertainty import noise_db

TAKES_APART_DB = 0.5
LOCAL_DB, LOCAL_NOISES = 0.4, 6.0
"""Largest local difference that takes may show: this, or so many standard deviations of what
noise explains (common practice, no source)."""
BURST_DB = 8.0
BURST_CHANCE = 1e-9
"""Of noise alone in one block; a day has some 10⁴ blocks and octaves."""
BURST_MATTERS_DB = 0.1


def take_notes(setting: Setting, *, low_hz: float, high_hz: float) -> list[QualityNote]:
    """Say where takes of one level differ as a whole by more than they should."""
    if len(setting.takes) < 2:
        return []
    grid = setting.takes[0].frequency_hz
    inside = (grid >= low_hz) & (grid <= high_hz)
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
        spread = moving_octave_mean(np.ptp(apart, axis=0), frequency_hz=grid, octaves=1 / 6)
    # A cell of 1/12 octave is independent of the next but one: 1/6 octave averages two.
    chance = np.sqrt(np.sum([np.square(noise_db(take)) for take in takes], axis=0))
    inside = (grid >= lowest_hz) & (grid >= 1.06 * law.start_hz) & (grid <= law.stop_hz / 1.06)
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
    from scipy.special import fdtri

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
