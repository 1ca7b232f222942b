"""What is known of one clock against another."""

from dataclasses import dataclass

CORRECT_ABOVE_PPM = 20.0
"""A smaller difference is left: with a sweep of 2 s it moves a change by 0.002 dB behind a gate of
50 ms or more, by 0.03 dB close to the lowest frequency of one of 6 ms (simulated)."""

SIGNIFICANT = 4.0
"""A difference below so many standard uncertainties is not taken for one."""

MOST_PPM = 500.0
"""Two clocks that are 500 ppm apart are broken (crystals keep within 100; common practice)."""


@dataclass(frozen=True, kw_only=True)
class Drift:
    """How much faster one clock ran than another, and its standard uncertainty."""

    ppm: float
    u_ppm: float

    @property
    def to_correct(self) -> bool:
        """Whether it is both large enough to matter and larger than chance and level explain."""
        return abs(self.ppm) > max(CORRECT_ABOVE_PPM, SIGNIFICANT * self.u_ppm)
