"""What the sessions of a comparison are called: by loudspeaker, then date, then folder."""

import datetime
from collections import Counter
from collections.abc import Sequence

from reportlib.errors import AnalysisError
from reportlib.model import Analysis
from reportlib.numbers import day_text, slug

MOST_SESSIONS = 8
"""More lines than that no figure tells apart."""


def shown_names(analyses: Sequence[Analysis], *, names: Sequence[str]) -> tuple[str, ...]:
    """Return a name for each session, the shortest that tells them apart.

    Sessions of one loudspeaker get their date, those of one date, or of none, the folder's name.

    Parameters
    ----------
    names : of the folders

    Raises
    ------
    AnalysisError
        Fewer than two sessions, more than eight, or two of one loudspeaker, date and folder name.
    """
    if not 2 <= len(analyses) <= MOST_SESSIONS:
        raise AnalysisError(
            f"a comparison takes 2 to {MOST_SESSIONS} sessions, not {len(analyses)}. "
            "Name as many session folders."
        )
    sessions = [one.session for one in analyses]
    alone = [" ".join(session.speaker.name.split()) for session in sessions]
    dated = [
        f"{name} of {day_text(datetime.date.fromisoformat(session.date))}" if session.date else ""
        for name, session in zip(alone, sessions, strict=True)
    ]
    placed = [f"{name} “{folder}”" for name, folder in zip(alone, names, strict=True)]
    counts = [Counter(one.casefold() for one in among) for among in (alone, dated, placed)]
    shown = [
        next(
            (
                name
                for name, count in zip(choices, counts, strict=True)
                if name and count[name.casefold()] == 1
            ),
            choices[-1],
        )
        for choices in zip(alone, dated, placed, strict=True)
    ]
    twice = [name for name, count in Counter(shown).items() if count > 1]
    if twice:
        raise AnalysisError(
            f"two sessions are both called “{twice[0]}”: same loudspeaker, date and folder name. "
            "Give one of them another date in session.toml, or rename its folder."
        )
    return tuple(shown)


def slugs(names: Sequence[str]) -> tuple[str, ...]:
    """Return the names as they stand in facts' names: lower-case letters, digits and hyphens.

    >>> slugs(["Trivet 6", "Trivet-6", "潮汐"])
    ('trivet-6', 'trivet-6-2', 'session-3')
    """
    found: list[str] = []
    for index, name in enumerate(names):
        plain = slug(name, other=f"session-{index + 1}")
        one = plain
        while one in found:
            one = f"{plain}-{index + 1}"
            plain = one if one in found else plain
        found.append(one)
    return tuple(found)
