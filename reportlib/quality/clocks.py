"""The clocks of player and recorder, where no reference was recorded."""

from collections.abc import Mapping

import numpy as np

from reportlib.clock import Drift
from reportlib.facts import number
from reportlib.model import QualityNote
from reportlib.quality.kinds import found


def clock_notes(
    common: Drift | None, *, stress: str, differing: Mapping[str, Drift], taken_off: bool
) -> list[QualityNote]:
    """Notes on the clocks of player and recorder, where no reference was recorded.

    Parameters
    ----------
    common : drift of the stress recording, None where it can't be told
    stress : path of that recording
    differing : by capture, drift against the baseline that was taken off
    taken_off : whether the common drift was taken off every sweep
    """
    if common is None:
        notes = [
            found(
                "clock-unknown",
                "note",
                message="No reference was recorded and no stress recording tells how far the "
                "clocks of player and recorder ran apart. What all captures share of it cancels in "
                "a change.",
            )
        ]
    else:
        digits = int(np.clip(-np.floor(np.log10(max(2.0 * common.u_ppm, 1e-9))), 0, 2))
        done = "taken off every sweep" if taken_off else "left in the sweeps, where it cancels"
        notes = [
            found(
                "clock-drift",
                "note",
                capture=stress,
                message="The recorder’s clock ran "
                f"{number(common.ppm, digits)} ± "
                f"{number(max(2.0 * common.u_ppm, 10.0**-digits), digits)} ppm fast against the "
                f"player’s, by the multitone (negative: slow); it was {done}.",
            )
        ]
    notes += [
        found(
            "clock-differs",
            "note",
            capture=path,
            message=f"The clocks ran {number(drift.ppm, 0)} ± "
            f"{number(max(2.0 * drift.u_ppm, 1.0), 0)} ppm otherwise than during the "
            "baseline; this capture was resampled by as much.",
        )
        for path, drift in differing.items()
    ]
    return notes
