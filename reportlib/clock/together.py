"""Which captures of a day to bring to one clock, and by how much."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reportlib.clock.drift import SHORT_GATE_S, Drift
from reportlib.clock.sweeps import relative_drift
from reportlib.deconvolution import Deconvolved
from reportlib.stimulus import SweepLaw


@dataclass(frozen=True, kw_only=True)
class Clocks:
    """What a day's clocks did, and what is to be taken off.

    Attributes
    ----------
    common : drift that all captures share, None where it can't be told
    differing : by capture, drift against the baseline, where it is to be taken off
    taken_off : whether the common drift is, too
    """

    common: Drift | None
    differing: Mapping[str, Drift]
    taken_off: bool

    def to_take_off_ppm(self, captures: Sequence[Deconvolved]) -> dict[str, float]:
        """By capture, the drift to take off it, where there is any."""
        shared_ppm = self.common.ppm if self.common is not None and self.taken_off else 0.0
        moved = {one.source: shared_ppm for one in captures if self.taken_off}
        for path, drift in self.differing.items():
            moved[path] = drift.ppm + shared_ppm * (1.0 + 1e-6 * drift.ppm)
        return moved


def own_drift(capture: Deconvolved) -> Drift | None:
    """Return the drift that two sweeps in one recording told, None where they did not."""
    if capture.own_clock_ppm.size == 0:
        return None
    return Drift(ppm=float(capture.own_clock_ppm[0]), u_ppm=float(capture.own_clock_ppm[1]))


def compare_clocks(
    captures: Sequence[Deconvolved], *, law: SweepLaw, gate_s: float, common: Drift | None
) -> Clocks:
    """Compare every capture's clocks with those of the baseline, the first of `captures`.

    By each recording's own two sweeps where it holds two, else by the phase of their ratio.

    Parameters
    ----------
    common : drift that all share, None where it can't be told
    """
    differing = {}
    for one in captures[1:]:
        drift = _against(one, captures[0], law=law)
        if drift is not None and drift.to_correct_behind(gate_s=gate_s, sweep_s=law.duration_s):
            differing[one.source] = drift
    # A drift that all share cancels, but not wholly behind a short gate.
    off = (
        common is not None
        and gate_s < SHORT_GATE_S
        and common.to_correct_behind(gate_s=gate_s, sweep_s=law.duration_s)
    )
    return Clocks(common=common, differing=differing, taken_off=off)


def _against(one: Deconvolved, baseline: Deconvolved, *, law: SweepLaw) -> Drift | None:
    ours, theirs = own_drift(one), own_drift(baseline)
    if ours is None or theirs is None:
        return relative_drift(one, to=baseline, law=law)
    ppm = (ours.ppm - theirs.ppm) / (1.0 + 1e-6 * theirs.ppm)
    return Drift(ppm=ppm, u_ppm=math.hypot(ours.u_ppm, theirs.u_ppm))
