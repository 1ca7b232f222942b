"""The clocks of player and recorder, where no reference was recorded."""

import numpy as np

from reportlib.clock import Clocks
from reportlib.model import QualityNote
from reportlib.numbers import number
from reportlib.quality.kinds import found


def clock_notes(clocks: Clocks, *, heard: str, twice: bool) -> list[QualityNote]:
    """Notes on the clocks of player and recorder, where no reference was recorded.

    Parameters
    ----------
    clocks : what they did
    heard : path of the recording that told their common drift
    twice : whether it told it by holding the sweep twice, and not the multitone
    """
    common = clocks.common
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
        by = "the multitone"
        if twice:
            by = "the sweep that it holds twice, of which the first is measured"
        done = "left in the sweeps, where it cancels"
        if clocks.taken_off:
            done = "taken off every sweep"
        notes = [
            found(
                "clock-drift",
                "note",
                capture=heard,
                message="The recorder’s clock ran "
                f"{number(common.ppm, digits)} ± "
                f"{number(max(2.0 * common.u_ppm, 10.0**-digits), digits)} ppm fast against the "
                f"player’s, by {by} (negative: slow); it was {done}.",
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
        for path, drift in clocks.differing.items()
    ]
    return notes
