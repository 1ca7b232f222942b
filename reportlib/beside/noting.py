"""How a hindrance is noted: who, where, by which questions, what, and what would mend it."""

from collections.abc import Sequence

from reportlib.compared import Compared, Hindrance, Kind, Question
from reportlib.levels import BANDS

EVERY: tuple[Question, ...] = ("equal output", "1 dB behind", "left playing")
SWEEPS: tuple[Question, ...] = ("equal output", "1 dB behind")
ALL_BANDS = tuple(band.name for band in BANDS)


def named(sessions: Sequence[Compared]) -> tuple[str, ...]:
    """Return the names of some sessions."""
    return tuple(one.name for one in sessions)


def note(
    kind: Kind,
    *,
    stops: bool,
    groups: Sequence[Sequence[str]],
    words: str,
    remedy: str,
    bands: Sequence[str] = ALL_BANDS,
    questions: tuple[Question, ...] = EVERY,
) -> Hindrance:
    """Return the record; without more said it is about every band and every question."""
    return Hindrance(
        kind=kind,
        stops=stops,
        groups=tuple(tuple(group) for group in groups),
        bands=tuple(bands),
        questions=questions,
        words=words,
        remedy=remedy,
    )
