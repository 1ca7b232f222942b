"""The frozen records of what was published, and of what reads otherwise since."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass


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
