"""The drift of a recording of a multitone, by how far its tones advance from period to period."""

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reportlib.clock.drift import MOST_PPM, Drift
from reportlib.clock.turning import turn_by_clock
from reportlib.model import FloatArray

ComplexArray = NDArray[np.complex128]

_HEARD = 5  # periods for a first estimate: two to settle, three to compare
_SETTLING = 2  # the period that holds the start, and the first whole one, which rings in
_TONE = 1e-3  # of the strongest: weaker bins of the stimulus are no tones (rounding)
_STEADY = 0.9  # half of the tones keep their phase at least so well, or it is no such multitone
_OFF_BIN = 0.3  # a tone further from its bin than this is not read there


def multitone_drift(blocks: Iterable[FloatArray], *, period: FloatArray) -> Drift | None:
    """Return the drift of a recording of a repeated multitone, None where it can't be told.

    A tone of k periods in the stimulus gains −2πk·drift/(1 + drift) of phase from one period to
    the next. A first estimate from the low tones, which no drift turns by half a period, places
    the high ones; products of ever longer lags then tell more and more without ever having to
    unwrap. What heating does to the phase does not grow with frequency as a clock's does; what it
    leaves open is in the uncertainty.

    Parameters
    ----------
    blocks : shape (n,) each, the microphone's samples in order; silence before and after may be
        among them. Five periods and one block are held at a time.
    period : shape (p,), what was repeated, at the recording's sample rate
    """
    size = period.size
    magnitude = np.abs(fft.rfft(period))
    magnitude[0] = 0.0
    bins = np.flatnonzero(magnitude > _TONE * magnitude.max())
    if bins.size < 3:
        return None
    kept: list[ComplexArray] = []
    held: list[FloatArray] = []
    loudest = 0.0
    first: float | None = None
    for piece in _pieces(blocks, size=size):
        power = float(np.sum(np.square(piece)))
        if power > 2.0 * loudest:  # this, not what came before, is the multitone
            held, kept, first = [], [], None
        loudest = max(loudest, power)
        if power <= 0.5 * loudest:
            continue
        if first is None:
            held.append(piece.copy())
            if len(held) < _HEARD:
                continue
            first = _first_estimate(np.array(held[_SETTLING:]), bins=bins)
            kept = [_tones(one, bins=bins, drift=first) for one in held[_SETTLING:]]
            held = []
        else:
            kept.append(_tones(piece, bins=bins, drift=first))
    if first is None or len(kept) < 4:
        return None
    # The last one may hold the multitone's end.
    return _refined(np.array(kept[:-1]), bins=bins, drift=first)


def _pieces(blocks: Iterable[FloatArray], *, size: int) -> Iterator[FloatArray]:
    """Cut blocks of any length into periods; what is left over at the end is dropped."""
    rest = np.empty(0)
    for block in blocks:
        rest = np.concatenate((rest, np.ravel(block)))
        whole = rest.size // size * size
        yield from rest[:whole].reshape(-1, size)
        rest = rest[whole:].copy()


def _first_estimate(periods: FloatArray, *, bins: NDArray[np.intp]) -> float:
    """Drift from the tones that stay near their bins, starting with those that no drift turns."""
    spectra = fft.rfft(periods)[:, bins]
    product = np.sum(np.conj(spectra[:-1]) * spectra[1:], axis=0)
    drift = 0.0
    for most in (1e-6 * MOST_PPM, 1e-4, 2e-5):
        near = bins * max(most, abs(drift)) < _OFF_BIN
        if not near.any():
            near[:1] = True
        drift = _common(product, bins=bins, near=near, lag=1, drift=drift)
    return drift


def _common(
    product: ComplexArray,
    *,
    bins: NDArray[np.intp],
    near: NDArray[np.bool_],
    lag: int,
    drift: float,
) -> float:
    """Drift that fits the phases of all tones' products over `lag` periods, near one known."""
    turned = product * np.exp(2j * np.pi * np.mod(bins * lag * drift / (1.0 + drift), 1.0))
    advance = 2.0 * np.pi * bins * lag
    weight = np.abs(turned) * near
    rest = float(np.sum(weight * advance * np.angle(turned)) / np.sum(weight * advance**2))
    # −drift/(1 + drift) = slope; the product's own phase adds to that already taken off
    slope = rest - drift / (1.0 + drift)
    return -slope / (1.0 + slope)


def _tones(piece: FloatArray, *, bins: NDArray[np.intp], drift: float) -> ComplexArray:
    """Amplitudes of the tones in one period of a recording, where the drift has put them."""
    from scipy.signal import czt

    spectrum = czt(
        piece,
        m=int(bins[-1]) + 1,
        w=np.exp(-2j * np.pi / (piece.size * (1.0 + drift))),
    )
    return np.asarray(spectrum[bins])


def _refined(tones: ComplexArray, *, bins: NDArray[np.intp], drift: float) -> Drift | None:
    """Drift and its uncertainty from the tones' amplitudes, shape (periods, tones)."""
    count = tones.shape[0]
    everywhere = np.ones(bins.size, dtype=np.bool_)
    lag = 1
    while lag < count:
        product = np.sum(np.conj(tones[:-lag]) * tones[lag:], axis=0)
        drift = _common(product, bins=bins, near=everywhere, lag=lag, drift=drift)
        lag *= 2
    advance = np.mod(np.outer(np.arange(count), bins * drift / (1.0 + drift)), 1.0)
    still = tones * np.exp(2j * np.pi * advance)
    mean = np.mean(still, axis=0)
    if np.median(np.abs(mean) / np.sqrt(np.mean(np.abs(still) ** 2, axis=0))) < _STEADY:
        return None
    relative = still / mean
    time = np.arange(count) - 0.5 * (count - 1)
    # real: nepers a period, imaginary: radians a period
    slope = time @ relative / np.sum(time**2)
    left = relative.imag - relative.imag.mean(axis=0) - np.outer(time, slope.imag)
    noise = np.sum(left**2, axis=0) / max(count - 2, 1) / np.sum(time**2)
    turn, u = turn_by_clock(
        slope.imag, place=bins.astype(np.float64), variance=noise, gain=slope.real
    )
    total = turn / (2.0 * np.pi) - drift / (1.0 + drift)
    ppm = -1e6 * total / (1.0 + total)
    if abs(ppm) > MOST_PPM:
        return None
    return Drift(ppm=ppm, u_ppm=1e6 * u / (2.0 * np.pi))
