"""A stress recording, period by period: every tone's level, its noise, and what lies between.

The recording is read once, from front to back; what is held of it at a time does not grow with
its length.
"""

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, fields

import numpy as np

from reportlib.arrays import BoolArray, FloatArray, freeze, same_length
from reportlib.soak.start import find_start
from reportlib.soak.stream import Stream
from reportlib.soak.tones import ComplexArray, Heard, IntArray, PeriodReader, Played, lines_at_tones

_LOUD = 0.1  # of the loudest period's tones: less, and the multitone does not play
_ENDS_WITHIN = 4.0  # times the usual power between tones: the last period is not whole
_CHANGES = 0.2  # of a period's power: the next one's differs by less, or it is not looked to
_NOTHING = 1e-5  # power between tones, over theirs, that is not looked at
_BEYOND = 2  # periods that are read beyond the stress's stated end, to see whether it goes on
_EARLIER_S = 0.02
_SAME_CLOCK = 1e-8
"""Drift of a recorded reference below which it shares the player's clock: 16000 turns a period
then leak −82 dB into their neighbour, in either channel alike."""
_CLOCK_SHOWS = 3  # periods: one to settle, two to compare
_CLIPPED_RUN = 3


class ClocksDifferError(Exception):
    """The recorded reference says that player and recorder ran on clocks of their own."""


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
    clipped: BoolArray
    gap: BoolArray

    def __post_init__(self) -> None:
        tones = ("frequency_hz", "noise_dof", "level_db", "noise", "power", "beside")
        freeze(self, ("centre_s", *tones))
        freeze(self, ("clipped", "gap"), dtype=np.bool_)
        same_length(self, tones)
        same_length(self, ("centre_s", "clipped", "gap"))


def stress_tones(
    blocks: Iterable[FloatArray],
    *,
    played: Played,
    stress_s: float,
    source: str,
    drift_ppm: float = 0.0,
    full_scale: float = math.inf,
) -> StressTones | None:
    """Read the tones of a stress recording, one period after the other.

    With a reference the first period begins where the reference's does. Without one it begins
    20 ms (at most 1/20 period) before the sound's strongest arrival, so that treble that arrives
    before bass has not ended when the last period does; what that takes from the first period
    does not matter, it is not used.

    Parameters
    ----------
    blocks : shape (1, n) each, the microphone's samples in order, or (2, n) with the reference
    stress_s : how long the multitone is said to have played
    full_scale : at or beyond which three equal samples in a row are clipped

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
    referenced = first.shape[0] > 1
    earlier = reader.edge if referenced else round(min(_EARLIER_S * rate, played.size / 20))
    stream = Stream(itertools.chain([first], blocks), before=reader.edge + earlier)
    start = find_start(stream, played=played, channel=int(referenced), drift=drift)
    if start is None:
        return None
    most = max(1, round(stress_s / played.period_s))
    begin = start.sample - earlier - reader.edge
    rows = _Rows(reader=reader, played=played, full_scale=full_scale, one_clock=not drift)
    for index in range(most + _BEYOND):
        place = index * reader.length
        stream.drop(begin + round(place) - stream.dropped)
        piece = stream.look(reader.samples)
        if piece is None:
            break
        rows.add(piece, late=round(place) - place)
    rows.finish()
    count, gap = _playing(np.array(rows.loud), np.array(rows.between))
    ended = count < len(rows.loud)
    if not ended and count:
        stream.drop(begin + reader.edge + round(count * reader.length) - stream.dropped)
        rest = stream.up_to(played.size)[-1]
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
        **tables,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Rows:
    """What the periods of a recording say, as they are read."""

    reader: PeriodReader
    played: Played
    full_scale: float
    one_clock: bool
    heard: list[Heard] = field(default_factory=list)
    clipped: list[bool] = field(default_factory=list)
    loud: list[float] = field(default_factory=list)
    between: list[float] = field(default_factory=list)
    mean_square: list[float] = field(default_factory=list)
    drives: list[ComplexArray] = field(default_factory=list)
    waiting: list[list[ComplexArray]] = field(default_factory=list)

    def add(self, piece: FloatArray, *, late: float) -> None:
        """Read one period, shape (1 or 2, samples): the microphone, and the reference.

        It waits for the next one, which shows how it changes; `late` as in `PeriodReader`.
        """
        spectra = [self.reader.spectrum(one, late=late) for one in piece]
        bins = self.played.bins
        if len(spectra) > 1 and self.one_clock and len(self.drives) < _CLOCK_SHOWS:
            self.drives.append(spectra[1][bins])
            if len(self.drives) == _CLOCK_SHOWS and _turns(*self.drives[1:], bins=bins):
                raise ClocksDifferError
        self.clipped.append(any(_clips(one, limit=self.full_scale) for one in piece))
        power = np.abs(spectra[-1][bins[0] : bins[-1] + 1]) ** 2
        tones = float(np.sum(power[bins - bins[0]]))
        self.loud.append(tones)
        self.mean_square.append(float(np.mean(piece[-1] ** 2)))
        self.between.append(float(np.sum(power)) - tones)
        self.waiting.append(spectra)
        if len(self.waiting) > 1:
            self._tell(len(self.waiting) - 2)
            del self.waiting[:-2]

    def finish(self) -> None:
        """Read the last period, which no other follows."""
        if self.waiting:
            self._tell(len(self.waiting) - 1)

    def _tell(self, place: int) -> None:
        """Read one of those that wait, with its neighbours' help."""
        now, index = self.waiting[place], len(self.heard)
        bins = self.played.bins
        before = place - 1 if index > 1 and self._alike(index - 1, index) else place
        after = place + 1 if self._alike(index + 1, index) else place
        slope = np.zeros(bins.size, dtype=np.complex128)
        if index > 0 and after > before:  # the first rings in: how it changes says nothing
            difference = self.waiting[after][0][bins] - self.waiting[before][0][bins]
            slope = difference / (after - before)
        upright = self.reader.upright(now[0], slope=slope)
        self.heard.append(self.reader.heard(upright, reference=now[1] if len(now) > 1 else None))

    def _alike(self, other: int, index: int) -> bool:
        """Whether another period, whole and no first one, may show how this one changes."""
        if not 0 < other < len(self.loud):
            return False
        ratio = [self.between[one] / max(self.loud[one], 1e-300) for one in (other, index)]
        whole = ratio[0] < _ENDS_WITHIN * max(ratio[1], _NOTHING)
        return whole and abs(self.loud[other] / max(self.loud[index], 1e-300) - 1.0) < _CHANGES

    def tables(self, count: int) -> dict[str, FloatArray]:
        """Return the first `count` periods, each value of `tones.Heard` of shape (count, m)."""
        return {
            one.name: np.array([getattr(row, one.name) for row in self.heard[:count]]).reshape(
                count, self.played.bins.size
            )
            for one in fields(Heard)
        }


def _turns(before: ComplexArray, after: ComplexArray, *, bins: IntArray) -> bool:
    """Whether tones advance in phase from one period to the next as a clock's drift makes them."""
    product = np.conj(before) * after
    weight = np.abs(product)
    angle = np.angle(product)
    scattered = float(np.sum(weight * angle**2) / np.sum(weight)) > 0.25
    slope = float(np.sum(weight * bins * angle) / np.sum(weight * np.square(1.0 * bins)))
    return scattered or abs(slope) > 2.0 * np.pi * _SAME_CLOCK


def _clips(samples: FloatArray, *, limit: float) -> bool:
    """Whether three samples or more in a row stay at one value at or beyond `limit`."""
    if max(float(samples.max()), -float(samples.min())) < limit:
        return False
    held = (np.abs(samples[1:]) >= limit) & (np.diff(samples) == 0.0)
    run = _CLIPPED_RUN - 1
    return bool(np.any(np.convolve(held, np.ones(run), mode="valid") > run - 0.5))


def _playing(loud: FloatArray, between: FloatArray) -> tuple[int, BoolArray]:
    """How many periods there are until the multitone ends, and in which of them it pauses."""
    if loud.size == 0:
        return 0, np.zeros(0, dtype=np.bool_)
    plays = loud > _LOUD * loud.max()
    count = int(np.flatnonzero(plays)[-1]) + 1
    ratio = between[:count] / np.maximum(loud[:count], 1e-300)
    usual = max(float(np.median(ratio[1:])), _NOTHING) if count > 1 else math.inf
    if ratio[-1] > _ENDS_WITHIN * usual:
        count -= 1
    return count, ~plays[:count]
