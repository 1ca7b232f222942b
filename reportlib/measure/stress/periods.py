"""A stress recording, period by period: every tone's level, its noise, and what lies between.

The recording is read once, from front to back; what is held of it at a time does not grow with
its length.

Each period is read with its neighbours' help.
"""

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, fields

import numpy as np

from reportlib.measure.stress.multitone import find_start
from reportlib.measure.stress.tones import (
    ComplexArray,
    Heard,
    IntArray,
    PeriodReader,
    Played,
    Stream,
    lines_at_tones,
)
from reportlib.session.records import BoolArray, FloatArray, freeze, same_length

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


ENDS_WITHIN = 4.0
"""Times the usual power between tones: more, and a period is not whole."""
NOTHING = 1e-5
"""Power between tones, over theirs, that is not looked at."""
_CHANGES = 0.2  # of a period's power: the next one's differs by less, or it is not looked to
_SAME_CLOCK = 1e-8
"""Drift of a recorded reference below which it shares the player's clock: 16000 turns a period
then leak −82 dB into their neighbour, in either channel alike."""
_CLOCK_SHOWS = 3  # periods: one to settle, two to compare
_CLIPPED_RUN = 3


class ClocksDifferError(Exception):
    """The recorded reference says that player and recorder ran on clocks of their own."""


@dataclass(frozen=True, eq=False, kw_only=True)
class PeriodRows:
    """What the periods of a recording say, as they are read.

    Attributes
    ----------
    one_clock : player and recorder are taken to share one, which the reference may belie
    ohm : impedance of a voltage and a current that both fill their channels; None where the last
        two channels are not these
    heard, clipped : one a period, of those that were read
    judged, microphone : power in the tones' bins and between them, of the channel by which the
        multitone is judged to play (the reference where there is one), of the microphone
    mean_square : of the judged channel's samples
    """

    reader: PeriodReader
    played: Played
    full_scale: float
    one_clock: bool
    ohm: float | None = None
    heard: list[Heard] = field(default_factory=list)
    clipped: list[bool] = field(default_factory=list)
    judged: list[tuple[float, float]] = field(default_factory=list)
    microphone: list[tuple[float, float]] = field(default_factory=list)
    mean_square: list[float] = field(default_factory=list)
    drives: list[ComplexArray] = field(default_factory=list)
    waiting: list[list[ComplexArray]] = field(default_factory=list)
    impedance: list[ComplexArray] = field(default_factory=list)

    def add(self, piece: FloatArray, *, late: float) -> None:
        """Read one period, shape (1 to 4, samples): the microphone, and what came with it.

        It waits for the next one, which shows how it changes; `late` as in `PeriodReader`.
        """
        if self.ohm is not None:
            self.impedance.append(self.ohm * self._ratio(*piece[-2:], late=late))
            piece = piece[:-2]
        spectra = [self.reader.spectrum(one, late=late) for one in piece]
        bins = self.played.bins
        if len(spectra) > 1 and self.one_clock and len(self.drives) < _CLOCK_SHOWS:
            self.drives.append(spectra[1][bins])
            if len(self.drives) == _CLOCK_SHOWS and _turns(*self.drives[1:], bins=bins):
                raise ClocksDifferError
        self.clipped.append(any(_clips(one, limit=self.full_scale) for one in piece))
        self.mean_square.append(float(np.mean(piece[-1] ** 2)))
        self.judged.append(_shares(spectra[-1], bins=bins))
        self.microphone.append(_shares(spectra[0], bins=bins))
        self.waiting.append(spectra)
        if len(self.waiting) > 1:
            self._tell(len(self.waiting) - 2)
            del self.waiting[:-2]

    def _ratio(self, voltage: FloatArray, current: FloatArray, *, late: float) -> ComplexArray:
        """Voltage over current at the tones, 0 where no current is recorded."""
        bins = self.played.bins
        volt, ampere = (self.reader.spectrum(one, late=late)[bins] for one in (voltage, current))
        flows = np.abs(ampere) > 0.0
        return np.asarray(np.where(flows, volt / np.where(flows, ampere, 1.0), 0.0))

    def impedances(self, count: int) -> dict[str, FloatArray]:
        """Return the first `count` periods' impedance, in parts of shape (count, m)."""
        shape = (count, self.played.bins.size)
        if self.ohm is None:
            return {name: np.zeros(shape) for name in ("resistance_ohm", "reactance_ohm")}
        whole = np.array(self.impedance[:count], dtype=np.complex128).reshape(shape)
        return {"resistance_ohm": whole.real, "reactance_ohm": whole.imag}

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
        if not 0 < other < len(self.microphone) or self.clipped[other]:
            return False
        (loud, between), (own, own_between) = self.microphone[other], self.microphone[index]
        usual = max(own_between / max(own, 1e-300), NOTHING)
        whole = between < ENDS_WITHIN * usual * loud
        return whole and abs(loud / max(own, 1e-300) - 1.0) < _CHANGES

    def tables(self, count: int) -> dict[str, FloatArray]:
        """Return the first `count` periods, each value of `tones.Heard` of shape (count, m)."""
        return {
            one.name: np.array([getattr(row, one.name) for row in self.heard[:count]]).reshape(
                count, self.played.bins.size
            )
            for one in fields(Heard)
        }


def _shares(spectrum: ComplexArray, *, bins: IntArray) -> tuple[float, float]:
    """Power in the tones' bins, and in all others among them."""
    power = np.abs(spectrum[bins[0] : bins[-1] + 1]) ** 2
    tones = float(np.sum(power[bins - bins[0]]))
    return tones, float(np.sum(power)) - tones


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
