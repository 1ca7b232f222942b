"""A multitone's tones: which there are in the stimulus, and what one period of a recording says.

Every tone makes a whole number of turns in a period of P samples, so that it fills one bin of a
transform of that length and leaks into no other. Where the recorder's clock ran otherwise than
the player's, a period lasts P' = P·(1 + drift) samples, no whole number: bins are then read at
k/P' through a window that is 1 but for the last few dozen samples at either end, where those of
neighbouring periods add up to 1. Its spectrum is that of a rectangle of P' samples, zero at every
other tone, times that of the bump which rounds its edges, which keeps sampled images of the rest
away (the two-sided images of a tone below 0.45 of the sample rate lie beyond the bump's main lobe,
more than 120 dB down; Kaiser window, from memory).

A long recording is one stream, of which only a few periods are held at a time.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reportlib.errors import CaptureError
from reportlib.session.records import FloatArray, freeze

IntArray = NDArray[np.intp]
ComplexArray = NDArray[np.complex128]

_TONE = 1e-3  # of the strongest, −60 dB: weaker bins are no tones
_BETWEEN = 1e-4  # −80 dB: stronger bins beside the tones mean that those lie beside their bins
_LEAST_EMPTY = 8
_LINE = 10.0  # times broad noise's power; noise alone passes once in 20000
_NOISE_OCTAVES = 1.0 / 12.0  # to either side of a tone: how far its noise is looked for
EDGE = 32
"""Half a length, in samples, of the bump that rounds the window's edges under drift."""
_KAISER = 14.0  # beta


@dataclass(frozen=True, eq=False, kw_only=True)
class Played:
    """What was repeated: one period of a multitone at the recording's sample rate.

    Attributes
    ----------
    size : samples a period
    bins : shape (m,), turns that each tone makes in a period
    drive : shape (m,), complex, the stimulus' own spectrum there
    empty : shape (e,), odd bins without a tone, where noise and odd-order products are seen
    """

    sample_rate_hz: int
    size: int
    bins: IntArray
    drive: ComplexArray
    empty: IntArray

    def __post_init__(self) -> None:
        freeze(self, ("bins", "empty"), dtype=np.intp)
        freeze(self, ("drive",), dtype=np.complex128)

    @property
    def period_s(self) -> float:
        """Length of a period on the player's clock."""
        return self.size / self.sample_rate_hz

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies of the tones, shape (m,)."""
        return np.asarray(self.bins * (self.sample_rate_hz / self.size))


@dataclass(frozen=True, eq=False, kw_only=True)
class Heard:
    """One period: each of shape (m,), one value a tone.

    Attributes
    ----------
    level_db : the tone's power over that of its drive
    noise : variance that noise gives the tone's complex value, over its power
    power : the tone's power in the microphone
    beside : power between the tones in the tone's share of the frequencies
    """

    level_db: FloatArray
    noise: FloatArray
    power: FloatArray
    beside: FloatArray


def played_tones(period: FloatArray, *, sample_rate_hz: int, source: str) -> Played:
    """Find the tones of one whole period of a multitone: bins above −60 dB of the strongest.

    Parameters
    ----------
    period : shape (p,), at the recordings' sample rate
    source : what to call it in an error

    Raises
    ------
    CaptureError
        Its tones do not sit on exact bins, or leave no odd bins empty to see noise in.
    """
    spectrum = fft.rfft(period)
    magnitude = np.abs(spectrum)
    magnitude[0] = 0.0
    relative = magnitude / max(float(magnitude.max()), 1e-300)
    bins = np.flatnonzero(relative > _TONE)
    between = np.count_nonzero((relative > _BETWEEN) & (relative <= _TONE))
    odd = np.arange(1, min(math.ceil(1.1 * bins[-1]), magnitude.size), 2) if bins.size else bins
    empty = odd[(relative[odd] <= _BETWEEN) & (odd >= 0.8 * bins[0])] if bins.size else bins
    if bins.size < 3 or between > 0.1 * bins.size:
        raise CaptureError(
            f"{source} is not one whole period of a multitone: its tones do not make whole numbers "
            "of turns in its length. Give exactly one period, as it was repeated.",
            code="no-multitone",
        )
    if empty.size < max(_LEAST_EMPTY, 0.1 * bins.size):
        raise CaptureError(
            f"{source} leaves no frequencies empty between its tones, so that noise and distortion "
            "cannot be told from them. Play a multitone with empty odd bins as stress.",
            code="no-multitone",
        )
    return Played(
        sample_rate_hz=sample_rate_hz,
        size=period.size,
        bins=bins,
        drive=spectrum[bins],
        empty=empty,
    )


def lines_at_tones(silence: FloatArray, *, played: Played, noise: FloatArray) -> FloatArray:
    """Return the power that lines (hum) found in a silence give the tones' bins, shape (m,).

    A line in a tone's own bin cannot be seen in the empty ones beside it. It shows before the
    multitone starts, where it stands 10 dB and more above what broad noise would put there; else 0.
    Looked at through a Hann window, so that one close to a tone counts as if it lay on it.

    Parameters
    ----------
    silence : shape (n,), at most a period; less than 1/5 period tells nothing
    noise : shape (m,), usual power of broad noise in the tones' bins
    """
    size = played.size
    if silence.size < size // 5:
        return np.zeros(played.bins.size)
    window = np.hanning(silence.size)
    scale = size / float(window.sum())
    spectrum = fft.rfft((silence - silence.mean()) * window, size)[played.bins]
    power = np.abs(spectrum) ** 2 * scale**2
    broad = noise * (scale**2 * float(np.sum(window**2)) / size)
    return np.where(power > _LINE * broad, power, 0.0)


class PeriodReader:
    """Reads the tones of one period after another; everything that they share is made once.

    Parameters
    ----------
    played : what was repeated
    drift : how much faster the recorder's clock ran than the player's, as a ratio
    """

    def __init__(self, played: Played, *, drift: float = 0.0) -> None:
        self._played = played
        self._drift = drift
        self.length = played.size * (1.0 + drift)
        """Samples a period on the recorder's clock."""
        self.edge = EDGE if drift else 0
        self.samples = math.ceil(self.length) + 2 * self.edge
        """Samples that one period is read from, `edge` of them before its start."""
        bins, empty = played.bins, played.empty
        self._highest = int(max(bins[-1], empty[-1])) + 1
        reach = 2.0**_NOISE_OCTAVES
        first = np.searchsorted(empty, bins / reach)
        last = np.searchsorted(empty, bins * reach)
        middle = np.searchsorted(empty, bins)
        most = min(_LEAST_EMPTY, empty.size)
        self._from = np.clip(np.minimum(first, middle - most // 2), 0, empty.size - most)
        self._to = np.clip(np.maximum(last, middle + most - most // 2), most, empty.size)
        self._cells()
        if drift:
            from scipy.signal import CZT

            self._window = _partition(self.length, edge=self.edge, samples=self.samples)
            self._window *= played.size / self.length  # a tone of 1 is one whatever the clocks
            turn = np.exp(-2j * np.pi / self.length)
            self._transform = CZT(self.samples, m=self._highest, w=turn)

    @property
    def noise_dof(self) -> FloatArray:
        """Degrees of freedom behind each tone's noise, shape (m,): two an empty bin."""
        return np.asarray(2.0 * (self._to - self._from))

    def spectrum(self, piece: FloatArray, *, late: float = 0.0) -> ComplexArray:
        """Return bins 0 to the last that is used, of a piece of `samples` samples.

        `late`: by how many samples the piece begins later than its period; phases are referred to
        the period's own start.
        """
        if not self._drift:
            return np.asarray(fft.rfft(piece)[: self._highest])
        found = self._transform(piece * self._window)
        turn = np.arange(self._highest) * (late / self.length)
        return np.asarray(found * np.exp(-2j * np.pi * turn))

    def upright(self, spectrum: ComplexArray, *, slope: ComplexArray) -> ComplexArray:
        """Take off what tones put beside themselves because they change within the period.

        A tone that changes evenly is a steady one plus a ramp about the period's middle times the
        tone; the ramp's spectrum falls as one over the distance from the tone and would pass for
        noise and distortion.

        Parameters
        ----------
        slope : shape (m,), complex, by how much each tone's bin changes within the period
        """
        size = self._played.size
        change = np.zeros(size // 2 + 1, dtype=np.complex128)
        change[self._played.bins] = slope
        ramp = (np.arange(size) + 0.5) / size - 0.5
        leaning = fft.rfft(ramp * fft.irfft(change, size))
        return np.asarray(spectrum - leaning[: self._highest])

    def heard(self, microphone: ComplexArray, *, reference: ComplexArray | None) -> Heard:
        """Return what one period says, from :meth:`spectrum` of its channels.

        The reference's tones are divided out, without one the stimulus'. The noise of a tone is
        the mean power of the empty odd bins within 1/12 octave of it, of eight at the least.
        `beside` is the power between the tones in a tone's cell (up to the geometric means with
        its neighbours): that of its even bins, all of which are empty, and that of its empty odd
        bins in proportion to all its odd ones.
        """
        power = np.square(microphone.real) + np.square(microphone.imag)
        bins = self._played.bins
        tones = np.maximum(power[bins], 1e-300)
        noise = self._noise(power)
        ratio = noise / tones
        if reference is None:
            drive = np.abs(self._played.drive) ** 2
        else:
            other = np.square(reference.real) + np.square(reference.imag)
            drive = np.maximum(other[bins], 1e-300)
            ratio = ratio + self._noise(other) / drive
        even, odd = self._sums(power)
        per_bin = np.where(self._empty_count > 0, odd / np.maximum(self._empty_count, 1), noise)
        return Heard(
            level_db=10.0 * np.log10(tones / drive),
            noise=ratio,
            power=tones,
            beside=even + per_bin * self._odd_count,
        )

    def _noise(self, power: FloatArray) -> FloatArray:
        total = np.concatenate(([0.0], np.cumsum(power[self._played.empty])))
        return np.asarray((total[self._to] - total[self._from]) / (self._to - self._from))

    def _cells(self) -> None:
        bins, empty = self._played.bins, self._played.empty
        inner = np.sqrt(bins[:-1] * bins[1:].astype(np.float64))
        low = max(1.0, bins[0] ** 2 / inner[0])
        high = min(float(self._highest), bins[-1] ** 2 / inner[-1])
        edges = np.ceil(np.concatenate(([low], inner, [high]))).astype(np.intp)
        self._edges = edges
        self._empty_edges = np.searchsorted(empty, edges)
        self._empty_count = np.diff(self._empty_edges)
        self._odd_count = np.diff(edges // 2)  # odd numbers below each edge
        is_tone = np.zeros(self._highest + 1, dtype=np.bool_)
        is_tone[bins] = True
        even = np.arange(0, self._highest, 2)
        self._even = even[~is_tone[even]]
        self._even_edges = np.searchsorted(self._even, edges)

    def _sums(self, power: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Power of the even and of the empty odd bins in each tone's cell."""
        even = np.concatenate(([0.0], np.cumsum(power[self._even])))
        odd = np.concatenate(([0.0], np.cumsum(power[self._played.empty])))
        return np.diff(even[self._even_edges]), np.diff(odd[self._empty_edges])


def _partition(length: float, *, edge: int, samples: int) -> FloatArray:
    """Window of a period of `length` samples, which begins `edge` samples into it."""
    fine = 256
    grid = np.linspace(-1.0, 1.0, 2 * edge * fine + 1)
    bump = np.i0(_KAISER * np.sqrt(1.0 - grid**2))
    step = np.concatenate(([0.0], np.cumsum(0.5 * (bump[1:] + bump[:-1]))))
    step /= step[-1]
    place = np.arange(samples) - edge + 0.0
    rises = np.interp(place / edge, grid, step, left=0.0, right=1.0)
    falls = np.interp((place - length) / edge, grid, step, left=0.0, right=1.0)
    return np.asarray(rises - falls)


class Stream:
    """Samples in order, looked at from wherever the last look was dropped.

    Parameters
    ----------
    blocks : shape (channels, n) each, in order, of any length
    before : samples of silence that are put before the first
    """

    def __init__(self, blocks: Iterable[FloatArray], *, before: int = 0) -> None:
        self._blocks = iter(blocks)
        self._parts: list[FloatArray] = []
        self._held = 0
        self._whole = np.zeros((1, 0))
        self._before = before
        self.dropped = -before
        """Where in the recording the next look begins, in samples."""

    def look(self, count: int) -> FloatArray | None:
        """Return the next `count` samples, shape (channels, count); None where it ends before."""
        while self._held < count:
            block = next(self._blocks, None)
            if block is None:
                break
            if self._before:
                block = np.pad(block, ((0, 0), (self._before, 0)))
                self._before = 0
            self._parts.append(block)
            self._held += block.shape[-1]
        self._join()
        return self._whole[:, :count] if self._held >= count else None

    def drop(self, count: int) -> None:
        """Go on by `count` samples."""
        while count > 0 and self.look(min(count, 1 << 16)) is not None:
            step = min(count, 1 << 16)
            self._whole = self._whole[:, step:]
            self._held -= step
            self.dropped += step
            count -= step
        if count > 0:  # beyond the end
            self.dropped += count
            self._whole, self._held = self._whole[:, :0], 0

    def up_to(self, count: int) -> FloatArray:
        """Return the next `count` samples, or as many as the recording still has."""
        whole = self.look(count)
        return self._whole if whole is None else whole

    def _join(self) -> None:
        if self._parts:
            whole = [self._whole] if self._whole.size else []
            self._whole = np.concatenate([*whole, *self._parts], axis=1)
            self._parts = []
