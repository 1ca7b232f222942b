"""What a published report must say when it is published again with other numbers."""

import datetime
from collections.abc import Sequence

from jinja2 import Environment

from reportlib.corrected import Changed
from reportlib.facts import place_of
from reportlib.numbers import day_text
from reportlib.words.writer import worded

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
        return worded(templates, wording=f"what-changed/{wording}", values=values)

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
