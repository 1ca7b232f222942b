"""The periods of a stress recording, read one by one, each with its neighbours' help."""

from dataclasses import dataclass, field, fields

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.soak.tones import ComplexArray, Heard, IntArray, PeriodReader, Played

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
