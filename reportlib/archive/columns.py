"""The columns of an archive's table: one row a session, and what a filter may ask for.

A limit takes five columns. Its level alone would lose what is told where no level is: a band
that is not 1 dB behind by 99 dB is better than one that is at 95 dB, and not the same as one
that can't be told. So ``limit_1db_mids`` (NULL where no level is) stands with ``_low`` and
``_high``, its bracket; ``_tested``, the highest level that could be told; and ``_state``:
`limits.kind_of`'s words, or "not tested".
"""

import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, get_args

from reportlib import numbers
from reportlib.judged import Answer
from reportlib.levels import BANDS
from reportlib.need.wants import NEEDS as WANTS
from reportlib.thresholds import BEHIND_DB

Kind = Literal["text", "number", "limit"]
Value = str | float | int | None

CANT_TELL = "can't tell"
NOT_TESTED = "not tested"
STATES = ("at", "between", "by", "may be", "not reached", CANT_TELL, NOT_TESTED)
GRADES = (
    "holds", "slips", "falls short", "gives out", "rises", "rises much", CANT_TELL, NOT_TESTED,
)  # fmt: skip
REPORTED, NO_REPORT, PLANNED, DAMAGED = "reported", "no report", "planned", "damaged"
"""States of a session: its results can be read; it has none; nor recordings; or it is broken."""
YES, NO = "yes", "no"
NEEDS = tuple(want.name for want in WANTS)
"""What is listened to; answered at the reader's own seat."""


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column.

    Attributes
    ----------
    name : in lower case, words joined by ``_``
    kind : ``"limit"`` is a number that has `_low`, `_high`, `_tested` and `_state` beside it
    about : what it holds, with its unit
    words : all that it may hold, where that is a list
    """

    name: str
    kind: Kind
    about: str
    words: tuple[str, ...] = ()


def slug(name: str) -> str:
    """Return a band's or a need's name as it stands in column names.

    >>> slug("low mids")
    'low_mids'
    """
    return numbers.slug(name).replace("-", "_")


def limit_column(*, test: str, threshold_db: float, band: str) -> str:
    """Return the name of a limit's level.

    >>> limit_column(test="long_term", threshold_db=3.0, band="low mids")
    'long_limit_3db_low_mids'
    """
    long = "long_" if test == "long_term" else ""
    return f"{long}limit_{threshold_db:g}db_{slug(band)}"


def _columns() -> Iterator[Column]:
    def text(name: str, about: str, *, words: tuple[str, ...] = ()) -> Column:
        return Column(name=name, kind="text", about=about, words=words)

    def number(name: str, about: str) -> Column:
        return Column(name=name, kind="number", about=about)

    yield text("folder", "the session's folder, from the archive's on")
    yield text("name", "the loudspeaker")
    yield text("date", "the measuring day, such as 2026-05-04")
    yield text(
        "state", "what there is of the session", words=(REPORTED, NO_REPORT, PLANNED, DAMAGED)
    )
    yield text("problem", "what is wrong with it, one line")
    yield text("report", "whether its page is there", words=(YES, NO))
    yield text("verdict", "what its report opens with")
    yield text("drive", "fed by an amplifier, or has its own", words=("passive", "active"))
    yield text("space", "where it was measured")
    yield number("distance_m", "microphone to loudspeaker, m")
    yield text("digest", "SHA-256 of session.toml, its first 12 digits")
    yield text("tool_version", "which upheld analysed it")
    yield number("top_db", "loudest short-term level, dB")
    yield number("long_top_db", "loudest long-term level, dB")
    yield number("long_elapsed_s", "stress behind its last sweep, s")
    for test, when in (("", "turned up to the loudest level"), ("long_", "left playing at it")):
        for band in BANDS:
            name = slug(band.name)
            yield number(f"{test}change_{name}", f"{band.name}, {when}: mean change, dB")
            yield number(f"{test}u95_{name}", "half-width of its 95 % interval, dB")
            yield number(f"{test}worst_{name}", f"{band.name}, {when}: at its worst point, dB")
            yield text(f"{test}grade_{name}", f"{band.name}, {when}: grade", words=GRADES)
            yield text(
                f"{test}grade_may_be_{name}", "the next, where two are possible", words=GRADES
            )
    for test, when in (("short_term", "turned up"), ("long_term", "left playing")):
        for threshold_db in BEHIND_DB:
            for band in BANDS:
                name = limit_column(test=test, threshold_db=threshold_db, band=band.name)
                about = f"{band.name}, {when}: level that is {threshold_db:g} dB behind, dB"
                yield Column(name=name, kind="limit", about=about)
                yield number(f"{name}_low", "low end of its bracket, dB")
                yield number(f"{name}_high", "high end of its bracket, dB")
                yield number(f"{name}_tested", "highest level that could be told, dB")
                yield text(f"{name}_state", "whether it was reached", words=STATES)
    for need in NEEDS:
        yield text(
            f"seat_{slug(need)}", f"loud enough for {need} at the seat", words=get_args(Answer)
        )
    yield text("findings", "what a change fits, with its confidence; joined by commas")
    yield number("warnings", "warnings on the data")
    yield number("refused", "captures and levels that had to be left out")


COLUMNS: dict[str, Column] = {column.name: column for column in _columns()}


def nearest_column(name: str) -> str:
    """Return the known column that a name is most like.

    >>> nearest_column("limit_1db_mid")
    'limit_1db_mids'
    """
    return difflib.get_close_matches(name.lower(), COLUMNS, n=1, cutoff=0.0)[0]
