"""What was published, and what must be said when it is published again with other numbers."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from jinja2 import Environment

from reportlib.numbers import day_text
from reportlib.write.quotes import place_of
from reportlib.write.writer import worded


@dataclass(frozen=True, kw_only=True)
class Published:
    """One publication of a report.

    Attributes
    ----------
    when : local time, to the second, ISO 8601
    captures : digest of all that was measured
    narrative : digest of each narrative cell's text, by slot
    judged : grades by the facts' key of a band and level (``"short.mids.94"``), causes, answers
    numbers : quoted facts as written, by name
    """

    when: str
    tool_version: str
    captures: str
    narrative: Mapping[str, str]
    judged: Mapping[str, str]
    numbers: Mapping[str, str]

    @property
    def date(self) -> datetime.date:
        """The day of it."""
        return datetime.datetime.fromisoformat(self.when).date()


@dataclass(frozen=True, kw_only=True)
class Changed:
    """A grade or a number that reads otherwise now; empty where it is not told."""

    name: str
    then: str
    now: str


MOST_LINES = 12


def what_changed(
    changed: Sequence[Changed], *, since: datetime.date, templates: Environment
) -> str:
    """Return the draft of the correction, empty where nothing changed.

    Parameters
    ----------
    changed : grades and numbers that read otherwise now
    since : the day of the publication that they are compared with
    """
    if not changed:
        return ""

    def say(wording: str, **values: object) -> str:
        return worded(templates, f"what-changed/{wording}", **values)

    def line(one: Changed) -> str:
        wording = "line" if one.then and one.now else "gone" if one.then else "new"
        return say(wording, place=place_of(one.name), then=one.then, now=one.now)

    left = len(changed) - MOST_LINES
    return say(
        "page",
        intro=say("intro", date=day_text(since)),
        lines=[line(one) for one in changed[:MOST_LINES]],
        more=say("more", count=left) if left > 0 else "",
    )
