"""What is known of one clock against another."""

from dataclasses import dataclass

CORRECT_ABOVE_PPM = 20.0
"""A smaller difference is left: with a sweep of 2 s it moves a change by 0.002 dB behind a gate of
50 ms or more, by 0.03 dB close to the lowest frequency of one of 6 ms (simulated)."""

SMEARED_S = 40e-6
"""What a drift may spread a sweep by behind a short gate: 20 ppm of 2 s, less of a longer one."""

SHORT_GATE_S = 0.05

SIGNIFICANT = 4.0
"""A difference below so many standard uncertainties is not taken for one."""

MOST_PPM = 500.0
"""Two clocks that are 500 ppm apart are broken (crystals keep within 100; common
practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Drift:
    """How much faster one clock ran than another, and its standard uncertainty."""

    ppm: float
    u_ppm: float

    @property
    def to_correct(self) -> bool:
        """Whether it is both large enough to matter and larger than chance and level explain."""
        return abs(self.ppm) > max(CORRECT_ABOVE_PPM, SIGNIFICANT * self.u_ppm)

    def to_correct_behind(self, *, gate_s: float, sweep_s: float) -> bool:
        """The same for a sweep of this length behind a gate of that length."""
        if gate_s >= SHORT_GATE_S:
            return self.to_correct
        limit = min(CORRECT_ABOVE_PPM, 1e6 * SMEARED_S / sweep_s)
        return abs(self.ppm) > max(limit, SIGNIFICANT * self.u_ppm)
