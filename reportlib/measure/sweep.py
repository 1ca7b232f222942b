"""The exponential sweep: its law of time and frequency, and where it stands in a recording.

Source: A. Farina, AES 108 (2000); A. Novak, P. Lotton, L. Simon, JAES 63(10), 2015, 786-798.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.errors import CaptureError
from reportlib.session.records import FloatArray

_BLOCK = 512


@dataclass(frozen=True, kw_only=True)
class SweepLaw:
    """An exponential sweep of `duration_s` from `start_hz` to `stop_hz`.

    >>> law = SweepLaw(start_hz=20.0, stop_hz=20000.0, duration_s=10.0)
    >>> round(law.rate_s, 5), round(law.time_s(1000.0), 3), round(law.lead_s(2), 4)
    (1.44765, 5.663, 1.0034)
    """

    start_hz: float
    stop_hz: float
    duration_s: float

    @property
    def rate_s(self) -> float:
        """L = T/ln(f2/f1), the time in which the frequency grows by e, in s."""
        return self.duration_s / math.log(self.stop_hz / self.start_hz)

    def time_s(self, frequency_hz: float) -> float:
        """When the sweep passes a frequency, in s after its start: L·ln(f/f1)."""
        return self.rate_s * math.log(frequency_hz / self.start_hz)

    def frequency_hz(self, time_s: float) -> float:
        """Frequency at a time after the start, in Hz: f1·e^(t/L)."""
        return self.start_hz * math.exp(time_s / self.rate_s)

    def lead_s(self, order: int) -> float:
        """How long before the linear response harmonic `order` arrives, in s: L·ln k."""
        return self.rate_s * math.log(order)


def find_sweep(drive: FloatArray, *, law: SweepLaw, sample_rate_hz: int, source: str) -> float:
    """Find where the sweep starts in the drive signal, in s after the first sample.

    The envelope of an exponential sweep is constant, so its energy grows evenly: the times at
    which a quarter and three quarters of it have passed lie half a duration apart, around its
    middle. The frequency is then read off at three places, by counting zero crossings.

    Parameters
    ----------
    drive : shape (n,), reference channel or stimulus
    source : what to call the signal in an error

    Raises
    ------
    CaptureError
        There is no such sweep in it.
    """
    passed = energy_passed(drive, shares=(0.25, 0.75))
    if passed is None:
        raise CaptureError(
            f"{source} is silent; record it again with the sweep playing.", code="silent"
        )
    quarter, three_quarters = passed
    spread_s = (three_quarters - quarter) / sample_rate_hz
    start_s = (quarter + three_quarters) / (2 * sample_rate_hz) - law.duration_s / 2
    described = f"sweep of {law.duration_s:g} s from {law.start_hz:g} to {law.stop_hz:g} Hz"
    if abs(spread_s / (law.duration_s / 2) - 1.0) > 0.15:
        raise CaptureError(
            f"{source} holds no {described}: half of its energy passes in {spread_s:.2f} s, not in "
            f"{law.duration_s / 2:.2f} s. Check the file, and start_hz, stop_hz and duration_s "
            "in [sweep] of session.toml.",
            code="no-sweep",
        )
    for part in (0.3, 0.5, 0.7):
        expected_hz = law.frequency_hz(part * law.duration_s)
        half = max(4.0 / expected_hz, 0.02)
        middle = start_s + part * law.duration_s
        piece = drive[
            max(0, round((middle - half) * sample_rate_hz)) : round(
                (middle + half) * sample_rate_hz
            )
        ]
        crossings = np.count_nonzero(np.diff(np.signbit(piece)))
        found_hz = crossings * sample_rate_hz / (2.0 * max(piece.size, 1))
        if not 0.75 < found_hz / expected_hz < 1.33:
            raise CaptureError(
                f"{source} holds no {described}: it passes {found_hz:.0f} Hz where "
                f"{expected_hz:.0f} Hz is due. Check the file, and start_hz, stop_hz and "
                "duration_s in [sweep] of session.toml.",
                code="no-sweep",
            )
    return start_s


def energy_passed(samples: FloatArray, *, shares: Sequence[float]) -> list[int] | None:
    """First sample by which each share of the energy has passed; None where there is none.

    Sums of blocks first, then sample by sample in one: a running sum cannot be made by parts.
    """
    starts = np.arange(0, samples.size, _BLOCK)
    blocks = np.add.reduceat(np.square(samples), starts) if samples.size else np.zeros(1)
    total = np.cumsum(blocks)
    if total[-1] <= 0.0:
        return None
    found = []
    for share in shares:
        goal = share * total[-1]
        block = int(np.searchsorted(total, goal))
        within = np.cumsum(np.square(samples[starts[block] :][:_BLOCK]))
        before = total[block] - blocks[block]
        found.append(int(starts[block] + np.searchsorted(before + within, goal)))
    return found
