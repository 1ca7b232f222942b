"""What rules ask of the stress: which groups of tones, steps, how late the growth came."""

from reportlib.causes.evidence import Evidence, Stretch, WhilePlaying
from reportlib.numbers import duration

STEP_DB, STEP_SHARE = 0.6, 0.5
"""A step that is half of all that was lost is no warming."""
LATE, EARLY = 0.35, 0.15
"""Share of the growth after two minutes: a coil of a minute leaves 0.14 (exponential law), a
magnet of 10 min or more at least half of its own."""
MOSTLY_LATE = 0.6


def groups_at(evidence: Evidence, one: Stretch) -> list[WhilePlaying]:
    """Groups of tones inside a stretch, at its own level, the largest growth first."""
    inside = [
        group
        for group in evidence.playing
        if group.level_db == one.level_db
        and min(group.high_hz, one.high_hz) > 1.3 * max(group.low_hz, one.low_hz)
    ]
    return sorted(inside, key=lambda group: group.grown_db)


def stepped(group: WhilePlaying) -> bool:
    """Return whether a group fell in one step, more than bit by bit."""
    grown = abs(group.grown_db) + 1e-9
    return group.step_db < -STEP_DB and -group.step_db > STEP_SHARE * grown


def late_share_of(evidence: Evidence, one: Stretch) -> float | None:
    """Share of a stretch's growth that came after the first minutes, by stages or by the stress."""
    shares = [
        group.late_share for group in groups_at(evidence, one) if group.late_share is not None
    ]
    return shares[0] if shares else one.late_share


def about(seconds: float) -> str:
    """Write a time that is known to some ten per cent."""
    return f"about {duration(float(f'{seconds:.2g}'))}"
