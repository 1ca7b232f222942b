"""The columns of an archive's table, one row a session, and what a filter may ask of them.

A limit takes five columns. Its level alone would lose what is told where no level is: a band
that is not 1 dB behind by 99 dB is better than one that is at 95 dB, and not the same as one
that can't be told. So ``limit_1db_mids`` (NULL where no level is) stands with ``_low`` and
``_high``, its bracket; ``_tested``, the highest level that could be told; and ``_state``:
`limits.kind_of`'s words, or "not tested".

The filter:

A grammar of our own, and nothing in it is ever evaluated: columns are looked up among the known
ones, values become the parameters of an SQL expression::

    filter     = all , { "or" , all } ;
    all        = part , { "and" , part } ;
    part       = "(" , filter , ")" | column , operator , value ;
    operator   = "=" | "!=" | "<" | "<=" | ">" | ">=" | "has" ;
    value      = number | words | "'" , words , "'" | '"' , words , '"' ;

The answer has three values, as SQL's logic has: yes, no and can't be told. Where a limit has no
level, what is known of it still answers: ``> 95`` holds where the band is not that far behind
by 99 dB, and can't be told where it was tested to 90 dB only.
"""

import difflib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from reportlib import numbers
from reportlib.errors import ArchiveError, one_line
from reportlib.judge.need import NEEDS as WANTS
from reportlib.judge.records import Answer
from reportlib.judge.thresholds import BEHIND_DB
from reportlib.measure.levels import BANDS
from reportlib.session.day import Use
from reportlib.session.parameters import SeatRoom

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


def seat_column(need: str) -> str:
    """Return the name of a need's answer.

    >>> seat_column("loud music")
    'seat_loud_music'
    """
    return f"seat_{slug(need)}"


def _columns() -> Iterator[Column]:
    def text(name: str, about: str, *, words: tuple[str, ...] = ()) -> Column:
        return Column(name=name, kind="text", about=about, words=words)

    def number(name: str, about: str) -> Column:
        return Column(name=name, kind="number", about=about)

    yield text("folder", "the session's folder, from the archive's on")
    yield text("name", "the loudspeaker")
    yield text("serial", "its serial number")
    yield text("use", "what it is made for", words=get_args(Use))
    yield text("settings", "how it was set up")
    yield text("date", "the measuring day, such as 2026-05-04")
    yield number("measured", "on how many days it was measured: the same name and serial")
    yield text("before", "the day when it was measured before")
    yield text("changed", "what changed since then, or: within the interval")
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
        yield text(seat_column(need), f"loud enough for {need} at the seat", words=get_args(Answer))
    yield text("seat_room", "where that seat is", words=get_args(SeatRoom))
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


_TOKEN = re.compile(
    r"""\s*(?: (?P<mark>[()]) | (?P<operator><=|>=|!=|==|<>|=|<|>)
        | '(?P<single>[^']*)'(?![^\s()=<>!]) | "(?P<double>[^"]*)"
        | (?P<word>[^\s()=<>!"'][^\s()=<>!"]*) )""",
    re.VERBOSE,
)
_DEEPEST = 40
_LONGEST = 4000
_SAME = {"==": "=", "<>": "!="}
_HINT = "Ask such as: limit_1db_mids > 95 and grade_bass = holds"


@dataclass(frozen=True, kw_only=True)
class Filter:
    """A filter, ready to be asked.

    Attributes
    ----------
    sql : an expression over the columns, of parameters and known names only
    values : its parameters
    columns : the columns that it asks for, in order
    """

    sql: str
    values: tuple[Value, ...]
    columns: tuple[str, ...]


@dataclass(frozen=True)
class _Token:
    kind: str
    text: str


def compile_filter(text: str) -> Filter:
    """Compile a filter.

    Raises
    ------
    ArchiveError
        It can't be understood, or names a column that there is not; the nearest one is named.

    Examples
    --------
    >>> compile_filter("name = Marram 12").values
    ('Marram 12',)
    """
    if len(text) > _LONGEST:
        raise ArchiveError(f"--where is longer than {_LONGEST} characters. Ask for less at once.")
    parser = _Parser(_tokens(text))
    sql = parser.any_of(depth=0)
    if parser.next is not None:
        raise _unreadable(f"{parser.next.text!r} is not expected there")
    return Filter(
        sql=sql, values=tuple(parser.values), columns=tuple(dict.fromkeys(parser.columns))
    )


def _tokens(text: str) -> list[_Token]:
    found, place = [], 0
    while text[place:].strip():
        match = _TOKEN.match(text, place)
        if match is None or match.lastgroup is None:
            raise _unreadable(f"{text[place:].strip()[:40]!r} can't be read")
        kind = match.lastgroup
        found.append(_Token("quoted" if kind in ("single", "double") else kind, match[kind]))
        place = match.end()
    return found


class _Parser:
    """Reads tokens from left to right; every method leaves the next one that is not its own."""

    def __init__(self, tokens: Sequence[_Token]) -> None:
        self._tokens = tokens
        self._place = 0
        self.values: list[Value] = []
        self.columns: list[str] = []

    @property
    def next(self) -> _Token | None:
        return self._tokens[self._place] if self._place < len(self._tokens) else None

    def _is(self, kind: str, *texts: str) -> bool:
        token = self.next
        return token is not None and token.kind == kind and token.text.lower() in texts

    def _joining(self) -> bool:
        """Whether ``and`` or ``or`` joins two parts here: else it belongs to a value."""
        return self._is("word", "and", "or")

    def any_of(self, *, depth: int) -> str:
        parts = [self._all_of(depth=depth)]
        while self._is("word", "or"):
            self._place += 1
            parts.append(self._all_of(depth=depth))
        return f"({' OR '.join(parts)})"

    def _all_of(self, *, depth: int) -> str:
        parts = [self._part(depth=depth)]
        while self._is("word", "and"):
            self._place += 1
            parts.append(self._part(depth=depth))
        return f"({' AND '.join(parts)})"

    def _part(self, *, depth: int) -> str:
        if self._is("mark", "("):
            if depth >= _DEEPEST:
                raise _unreadable(f"more than {_DEEPEST} parentheses stand within each other")
            self._place += 1
            inner = self.any_of(depth=depth + 1)
            if not self._is("mark", ")"):
                raise _unreadable("a parenthesis is not closed")
            self._place += 1
            return inner
        return self._comparison()

    def _comparison(self) -> str:
        token = self.next
        if token is None or token.kind != "word":
            raise _unreadable("a column is expected" + (f", not {token.text!r}" if token else ""))
        column = COLUMNS.get(token.text.lower())
        if column is None:
            raise ArchiveError(
                one_line(
                    f"--where: there is no column {token.text!r}; the nearest is "
                    f"{nearest_column(token.text)}. upheld archive --columns lists them all."
                )
            )
        self._place += 1
        operator = self.next
        if operator is None or not (operator.kind == "operator" or self._is("word", "has")):
            raise _unreadable(f"behind {column.name} stands no =, !=, <, <=, >, >= or has")
        self._place += 1
        self.columns.append(column.name)
        sign = _SAME.get(operator.text, operator.text.lower())
        return self._compared(column, sign=sign, value=self._value(column))

    def _value(self, column: Column) -> str:
        token = self.next
        if token is not None and token.kind == "quoted":
            self._place += 1
            return token.text
        words = []
        while self.next is not None and self.next.kind == "word" and not self._joining():
            words.append(self.next.text)
            self._place += 1
        if not words:
            raise _unreadable(f"{column.name} is compared with nothing")
        return " ".join(words)

    def _compared(self, column: Column, *, sign: str, value: str) -> str:
        name = f'"{column.name}"'
        if sign == "has":
            self.values.append(value.lower())
            return f"instr(lower({name}), ?) > 0"
        if column.kind == "text":
            return self._compared_text(column, sign=sign, value=value)
        number = _number(column, value=value)
        if column.kind == "limit" and sign not in ("=", "!="):
            return self._compared_limit(name=column.name, sign=sign, number=number)
        self.values.append(number)
        return f"{name} {sign} ?"

    def _compared_text(self, column: Column, *, sign: str, value: str) -> str:
        known = value.lower().replace("’", "'")
        if column.words:
            if known not in column.words:
                raise ArchiveError(
                    one_line(
                        f"--where: {column.name} is never {value!r}: it is one of "
                        f"{', '.join(column.words)}."
                    )
                )
            if sign not in ("=", "!="):
                raise _unreadable(f"{column.name} is a word; compare it by = or !=")
            value = known
        self.values.append(value)
        asked = f'"{column.name}"'
        for untold, quoted in ((CANT_TELL, "'can''t tell'"), (NOT_TESTED, "'not tested'")):
            if untold in column.words and value != untold:  # then neither yes nor no
                asked = f"nullif({asked}, {quoted})"
        return f"{asked} {sign} ? COLLATE NOCASE"

    def _compared_limit(self, *, name: str, sign: str, number: float) -> str:
        """Where no level is: not reached means beyond what was tested, "by" below its high end."""
        self.values += [number] * 4
        beyond, short = ("1", "0") if sign[0] == ">" else ("0", "1")
        return (
            f'CASE WHEN "{name}" IS NOT NULL THEN "{name}" {sign} ? '
            f'WHEN "{name}_state" = \'not reached\' AND "{name}_tested" >= ? THEN {beyond} '
            f'WHEN "{name}_state" = \'may be\' AND "{name}_low" >= ? THEN {beyond} '
            f'WHEN "{name}_state" = \'by\' AND "{name}_high" <= ? THEN {short} END'
        )


def _number(column: Column, *, value: str) -> float:
    text = re.sub(r"\s*(dB|m|s)$", "", value.replace("−", "-"))
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not abs(number) < 1e12:
        state = f"; for words ask {column.name}_state" if column.kind == "limit" else ""
        raise ArchiveError(
            one_line(f"--where: {column.name} is a number, and {value!r} is none{state}.")
        )
    return number


def _unreadable(what: str) -> ArchiveError:
    return ArchiveError(one_line(f"--where: {what}. {_HINT}"))
