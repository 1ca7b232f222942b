"""Stand-in until the comparison with the sweeps after the stress takes its place: none."""

from collections.abc import Sequence

from reportlib.day import Stage
from reportlib.model import ChangeCurve
from reportlib.soak.history import History
from reportlib.soaked import GroupTrack, Recovery
from reportlib.stimulus import SweepLaw


def recoveries(
    bands: Sequence[GroupTrack],
    *,
    history: History,
    curves: Sequence[ChangeCurve],
    law: SweepLaw,
    stages: Sequence[Stage],
) -> tuple[Recovery, ...]:
    """Return nothing yet."""
    return ()
