"""A stress recording, period by period: every tone's level, its noise, and what lies between.

The recording is read once, from front to back; what is held of it at a time does not grow with
its length.
"""

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from reportlib.arrays import BoolArray, FloatArray, freeze, same_length
from reportlib.soak.reading import ENDS_WITHIN, NOTHING, PeriodRows
from reportlib.soak.start import find_start
from reportlib.soak.stream import Stream
from reportlib.soak.tones import PeriodReader, Played, lines_at_tones

_LOUD = 0.1  # of the loudest period's tones: less, and the multitone does not play
_BEYOND = 2  # periods that are read beyond the stress's stated end, to see whether it goes on
_EARLIER_S = 0.02


@dataclass(frozen=True, eq=False, kw_only=True)
class StressTones:
    """The tones of one stress recording over its periods.

    Attributes
    ----------
    source : path in the session folder
    period_s : the multitone's period
    drift_ppm : how much faster the recorder's clock ran than the player's
    start_s : where the first whole period begins in the recording; without a reference by the
        sound's arrival
    missed_s : what of the stress had played before that; 0 where the recording holds its start,
        NaN where it holds neither start nor end
    heard_s : how long the multitone can be heard, from the first whole period on
    ended : whether the recording goes on after the multitone's end
    centre_s : shape (n,), middle of each period, from the stress's start on
    frequency_hz, noise_dof : shape (m,)
    level_db : shape (n, m), each tone's power over that of its drive
    noise : shape (n, m), variance that noise gives a tone's complex value, over its power
    power, beside : shape (n, m), the tone's power and that between the tones, as `tones.Heard`
    resistance_ohm, reactance_ohm : shape (n, m), of the impedance at the terminals; 0 where voltage
        and current were not recorded
    clipped, gap : shape (n,), periods in which the recorder clipped, the multitone did not play
    """

    source: str
    period_s: float
    drift_ppm: float
    start_s: float
    missed_s: float
    heard_s: float
    ended: bool
    centre_s: FloatArray
    frequency_hz: FloatArray
    noise_dof: FloatArray
    level_db: FloatArray
    noise: FloatArray
    power: FloatArray
    beside: FloatArray
    resistance_ohm: FloatArray
    reactance_ohm: FloatArray
    clipped: BoolArray
    gap: BoolArray

    def __post_init__(self) -> None:
        tones = ("frequency_hz", "noise_dof", "level_db", "noise", "power", "beside")
        impedance = ("resistance_ohm", "reactance_ohm")
        freeze(self, ("centre_s", *tones, *impedance))
        freeze(self, ("clipped", "gap"), dtype=np.bool_)
        same_length(self, (*tones, *impedance))
        same_length(self, ("centre_s", "clipped", "gap"))


def stress_tones(
    blocks: Iterable[FloatArray],
    *,
    played: Played,
    stress_s: float,
    source: str,
    drift_ppm: float = 0.0,
    full_scale: float = math.inf,
    ohm: float | None = None,
) -> StressTones | None:
    """Read the tones of a stress recording, one period after the other.

    With a reference the first period begins where the reference's does. Without one it begins
    20 ms (at most 1/20 period) before the sound's strongest arrival, so that treble that arrives
    before bass has not ended when the last period does; what that takes from the first period
    does not matter, it is not used.

    Parameters
    ----------
    blocks : shape (1, n) each, the microphone's samples in order, or (2, n) with the reference;
        two rows more, voltage and current, where `ohm` is given
    stress_s : how long the multitone is said to have played
    full_scale : at or beyond which three equal samples in a row are clipped
    ohm : a full-scale sample's volts over a full-scale sample's amperes

    Returns
    -------
    StressTones, None where the multitone is not in the recording

    Raises
    ------
    ClocksDifferError
        `drift_ppm` is 0, but the reference's tones turn from period to period.
    """
    drift = 1e-6 * drift_ppm
    rate = played.sample_rate_hz
    reader = PeriodReader(played, drift=drift)
    blocks = iter(blocks)
    first = next(blocks, None)
    if first is None:
        return None
    referenced = first.shape[0] - (0 if ohm is None else 2) > 1
    earlier = reader.edge if referenced else round(min(_EARLIER_S * rate, played.size / 20))
    stream = Stream(itertools.chain([first], blocks), before=reader.edge + earlier)
    start = find_start(stream, played=played, channel=int(referenced), drift=drift)
    if start is None:
        return None
    most = max(1, round(stress_s / played.period_s))
    begin = start.sample - earlier - reader.edge
    rows = PeriodRows(
        reader=reader, played=played, full_scale=full_scale, one_clock=not drift, ohm=ohm
    )
    for index in range(most + _BEYOND):
        place = index * reader.length
        stream.drop(begin + round(place) - stream.dropped)
        piece = stream.look(reader.samples)
        if piece is None:
            break
        rows.add(piece, late=round(place) - place)
    rows.finish()
    count, gap = _playing(np.array(rows.judged).reshape(-1, 2))
    ended = count < len(rows.judged)
    if not ended and count:
        stream.drop(begin + reader.edge + round(count * reader.length) - stream.dropped)
        rest = stream.up_to(played.size)[int(referenced)]
        rest = rest[9 * rest.size // 10 :]
        ended = bool(rest.size) and float(np.mean(rest**2)) < _LOUD * rows.mean_square[-1]
    missed_s = 0.0
    if start.playing_before:
        missed_s = max(0, most - count) * played.period_s if ended else math.nan
    used = min(count, most)
    tables = rows.tables(used)
    if used:
        guard = round(_EARLIER_S * rate)
        broad = np.median(tables["noise"] * tables["power"], axis=0)
        lines = lines_at_tones(start.silence[: -guard or None], played=played, noise=broad)
        tables["noise"] = tables["noise"] + lines / tables["power"]
    begin_s = np.nan_to_num(missed_s) - earlier / rate
    return StressTones(
        source=source,
        period_s=played.period_s,
        drift_ppm=drift_ppm,
        start_s=start.sample / rate,
        missed_s=missed_s,
        heard_s=count * played.period_s,
        ended=ended,
        centre_s=begin_s + played.period_s * np.arange(0.5, used),
        frequency_hz=played.frequency_hz,
        noise_dof=reader.noise_dof,
        clipped=np.array(rows.clipped[:used], dtype=np.bool_),
        gap=gap[:used],
        **rows.impedances(used),
        **tables,
    )


def _playing(judged: FloatArray) -> tuple[int, BoolArray]:
    """How many periods there are until the multitone ends, and in which of them it pauses.

    `judged`: shape (n, 2), power in the tones' bins and in those between.
    """
    loud, between = judged.T
    if loud.size == 0:
        return 0, np.zeros(0, dtype=np.bool_)
    plays = loud > _LOUD * loud.max()
    count = int(np.flatnonzero(plays)[-1]) + 1
    ratio = between[:count] / np.maximum(loud[:count], 1e-300)
    usual = max(float(np.median(ratio[1:])), NOTHING) if count > 1 else math.inf
    if ratio[-1] > ENDS_WITHIN * usual:
        count -= 1
    return count, ~plays[:count]
