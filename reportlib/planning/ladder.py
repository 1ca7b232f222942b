"""The levels of a day: where they begin, how they rise, and what bounds the top."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from reportlib.day import SPACES_WITH_1_M_LEVELS, Rig
from reportlib.errors import PlanError
from reportlib.levels import distance_change_db
from reportlib.numbers import level_text
from reportlib.planning import rules
from reportlib.planning.asked import PlanRequest
from reportlib.planning.drive import rated_level_db
from reportlib.planning.excursion import excursion_level_db

_SLACK_DB = 0.05  # levels are typed to a tenth


@dataclass(frozen=True, kw_only=True)
class Bound:
    """A level that something says not to exceed."""

    kind: Literal["rating", "excursion", "dose"]
    level_db: float

    def exceeded_by(self, level_db: float) -> bool:
        """Whether a level lies above."""
        return level_db > self.level_db + _SLACK_DB


def to_microphone_db(rig: Rig) -> float:
    """Return how much lower the microphone reads than the level at 1 m.

    By 20·lg d where levels may be referred to 1 m; elsewhere levels are those at the microphone.
    """
    if rig.space not in SPACES_WITH_1_M_LEVELS:
        return 0.0
    return distance_change_db(from_m=1.0, to_m=rig.distance_m)


def equal_steps_db(baseline_db: float, *, top_db: float) -> tuple[float, ...]:
    """Return levels from the baseline up in equal steps, the last one shortened to meet the top.

    >>> equal_steps_db(72.0, top_db=99.0)
    (72.0, 78.0, 84.0, 90.0, 96.0, 99.0)
    """
    levels = [baseline_db]
    while levels[-1] + rules.STEP_DB < top_db - _SLACK_DB:
        levels.append(levels[-1] + rules.STEP_DB)
    return (*levels, top_db)


def lowest_baseline_db(request: PlanRequest) -> float | None:
    """Return the lowest baseline that stands clear of the room's noise, in whole dB at 1 m."""
    if request.room_noise is None:
        return None
    clear_db = request.room_noise.level_db + rules.OVER_NOISE_DB - to_microphone_db(request.rig)
    return float(-(-clear_db // 1.0))


def fixed_bounds(request: PlanRequest) -> tuple[Bound, ...]:
    """Return what bounds the top apart from the dose, which depends on the whole day."""
    found = []
    rated_db = rated_level_db(request.speaker)
    if rated_db is not None:
        found.append(Bound(kind="rating", level_db=rated_db))
    if request.woofer is not None:
        found.append(Bound(kind="excursion", level_db=excursion_level_db(request.woofer)))
    return tuple(found)


def asked_levels_db(request: PlanRequest, *, top_db: float) -> tuple[float, ...]:
    """Return the levels of the short-term test, the baseline first.

    Raises
    ------
    PlanError
        There is no baseline to go by, or the levels do not rise.
    """
    if request.levels_db:
        levels = request.levels_db
        if len(levels) < 2 or any(b <= a for a, b in pairwise(levels)):
            raise PlanError(
                f"levels of {', '.join(f'{level:g}' for level in levels)} dB: give two or more "
                "that rise, the baseline first."
            )
        return levels
    baseline_db = baseline_of(request)
    if top_db <= baseline_db + _SLACK_DB:
        raise PlanError(
            f"a top of {level_text(top_db)} over a baseline of {level_text(baseline_db)}: nothing "
            "would rise. Give a higher --top, a lower --baseline, or a quieter place."
        )
    if top_db - baseline_db > rules.MOST_STEPS * rules.STEP_DB:
        raise PlanError(
            f"a top of {level_text(top_db)} over a baseline of {level_text(baseline_db)}: more "
            "than a loudspeaker can do. Correct --baseline or --top."
        )
    return equal_steps_db(baseline_db, top_db=top_db)


def baseline_of(request: PlanRequest) -> float:
    """Return the baseline that is asked for, or else the lowest that the noise allows.

    Raises
    ------
    PlanError
        Neither is given.
    """
    if request.levels_db:
        return request.levels_db[0]
    if request.baseline_db is not None:
        return request.baseline_db
    lowest_db = lowest_baseline_db(request)
    if lowest_db is None:
        raise PlanError(
            "there is no baseline: give --baseline, or the room's noise (--silence, or "
            "--room-noise), over which it would stand by 30 dB."
        )
    return lowest_db


def stress_levels_db(request: PlanRequest, *, levels_db: Sequence[float]) -> tuple[float, ...]:
    """Return the levels of the long-term test, rising."""
    if request.stress_db is not None:
        return tuple(sorted(set(request.stress_db)))
    return (max(levels_db[-1] - rules.STRESS_BELOW_TOP_DB, levels_db[0]),)
