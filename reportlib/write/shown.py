"""What a notebook cell shows: pictures and tables that carry their own words; the house colours.

Jupyter draws them through ``_repr_mimebundle_``; the page and the PDF read the same bundle
back out of the saved notebook, so that publishing needs no analysis. Nothing here computes.
"""

import base64
import html
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Self

INK = "#16242e"
MUTED = "#55656f"
RULE = "#c6d1d8"
FAINT = "#e3eaee"
UNTOLD = "#8b979e"
"""What can't be told is grey, and nothing else is."""
SEA = "#1f5d86"
WATER = "#dfeaf1"
PAPER = "#f6f1e6"


PICTURE_MIME = "application/vnd.upheld.picture+json"
TABLE_MIME = "application/vnd.upheld.table+json"
CALCULATOR_MIME = "application/vnd.upheld.calculator+json"

LADDER = "level-ladder"
"""Name of the figure that pictures to share are made with."""


@dataclass(frozen=True, kw_only=True)
class ReadLine:
    """One curve of a read-out: its name, and what it says at each frequency."""

    name: str
    words: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ReadOut:
    """What a reader gets to know by moving a cursor over a figure's curves.

    Attributes
    ----------
    label : what the cursor is, for those who cannot see it
    left, right, top, bottom : the axes' box in the drawing, as shares of its width and height
    low_hz, high_hz : the frequencies at the box's sides; every octave is equally wide
    frequency_hz : where the curves can be read, rising
    frequency_words : the same as it is written
    start : which of them the cursor stands at first
    lines : quietest first
    phone_box : left, right, top and bottom of the same axes in the phone's drawing, if there is one
    """

    label: str
    left: float
    right: float
    top: float
    bottom: float
    low_hz: float
    high_hz: float
    frequency_hz: tuple[float, ...]
    frequency_words: tuple[str, ...]
    start: int
    lines: tuple[ReadLine, ...]
    phone_box: tuple[float, float, float, float] | None = None

    def __post_init__(self) -> None:
        """Refuse what no cursor could move over."""
        boxes = [(self.left, self.right, self.top, self.bottom)]
        boxes += [self.phone_box] if self.phone_box else []
        inside = all(
            0.0 <= left < right <= 1.0 and 0.0 <= top < bottom <= 1.0
            for left, right, top, bottom in boxes
        )
        rising = all(low < high for low, high in zip(self.frequency_hz, self.frequency_hz[1:]))  # noqa: B905
        if not (inside and rising and 0.0 < self.low_hz < self.high_hz and self.frequency_hz):
            raise ValueError("the read-out's box or frequencies make no sense")
        lengths = {len(self.frequency_words), *(len(line.words) for line in self.lines)}
        if lengths != {len(self.frequency_hz)} or self.start not in range(len(self.frequency_hz)):
            raise ValueError("the read-out's lines do not fit its frequencies")

    @classmethod
    def from_json(cls, about: Mapping[str, Any]) -> Self:
        """Return the record that `asdict` and JSON made `about` from."""
        return cls(
            **{
                **about,
                "frequency_hz": tuple(about["frequency_hz"]),
                "frequency_words": tuple(about["frequency_words"]),
                "lines": tuple(
                    ReadLine(name=line["name"], words=tuple(line["words"]))
                    for line in about["lines"]
                ),
                "phone_box": _box(about.get("phone_box")),
            }
        )


def _box(shares: Sequence[float] | None) -> tuple[float, float, float, float] | None:
    if shares is None:
        return None
    left, right, top, bottom = shares
    return left, right, top, bottom


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A figure with its caption and its alternative text.

    Attributes
    ----------
    name : file name without ending, also the anchor in the page, e.g. ``"turned-up"``
    svg : the drawing, text kept as text
    png : the same at twice the size of the page, for articles
    caption : what to see, one to three plain sentences (Markdown is not read)
    alt : the same for those who cannot see it, made from facts
    width_px, height_px : size in CSS pixels at 1×
    read_out : what its curves say frequency by frequency, None where there is nothing to read
    own_words : whether a reviewer wrote the words, whose numbers are then checked
    phone_svg : the same drawn as wide as a phone's page, empty where it was not
    """

    name: str
    svg: str
    png: bytes
    caption: str
    alt: str
    width_px: float
    height_px: float
    read_out: ReadOut | None = None
    own_words: bool = False
    phone_svg: str = ""

    def captioned(self, caption: str, *, alt: str | None = None) -> Self:
        """Return it with a reviewer's own caption, and own alternative text where given.

        >>> figures.turned_up(report).captioned("The treble gives in first.")  # doctest: +SKIP
        """
        alt = self.alt if alt is None else alt
        return replace(self, caption=caption, alt=alt, own_words=True)

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        return {
            "image/svg+xml": self.svg,
            "image/png": base64.b64encode(self.png).decode("ascii"),
            "text/plain": self.alt,
            PICTURE_MIME: {
                "name": self.name,
                "caption": self.caption,
                "alt": self.alt,
                "width_px": self.width_px,
                "height_px": self.height_px,
                "own_words": self.own_words,
                **({} if self.read_out is None else {"read_out": asdict(self.read_out)}),
                **({"phone_svg": self.phone_svg} if self.phone_svg else {}),
            },
        }


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table whose cells are finished text.

    Attributes
    ----------
    name : anchor in the page
    caption : what the table lists, one sentence
    columns : headings
    rows : one sequence of texts a row, as many as there are columns
    anchors : one anchor a row (or empty), where quoted facts link to
    numeric : which columns align right
    folded : whether the page shows it closed at first
    own_words : whether a reviewer wrote the caption
    """

    name: str
    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    anchors: tuple[str, ...] = ()
    numeric: tuple[bool, ...] = ()
    folded: bool = False
    own_words: bool = False

    def captioned(self, caption: str) -> Self:
        """Return it with a reviewer's own caption."""
        return replace(self, caption=caption, own_words=True)

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        return {
            "text/html": _html_table(self.columns, self.rows, numeric=self.numeric),
            "text/plain": "\n".join("\t".join(row) for row in (self.columns, *self.rows)),
            TABLE_MIME: {
                "name": self.name,
                "caption": self.caption,
                "columns": list(self.columns),
                "rows": [list(row) for row in self.rows],
                "anchors": list(self.anchors or [""] * len(self.rows)),
                "numeric": list(self.numeric or [False] * len(self.columns)),
                "folded": self.folded,
                "own_words": self.own_words,
            },
        }


def _html_table(
    columns: Sequence[str], rows: Sequence[Sequence[str]], *, numeric: Sequence[bool]
) -> str:
    """Return a table for Jupyter, which would align every cell right."""
    sides = ["right" if right else "left" for right in numeric or [False] * len(columns)]

    def line(kind: str, cells: Sequence[str]) -> str:
        return "".join(
            f'<{kind} style="text-align: {side}">{html.escape(cell)}</{kind}>'
            for side, cell in zip(sides, cells, strict=True)
        )

    body = "".join(f"<tr>{line('td', row)}</tr>" for row in rows)
    return f"<table><thead><tr>{line('th', columns)}</tr></thead><tbody>{body}</tbody></table>"


@dataclass(frozen=True, kw_only=True)
class CalculatorPlace:
    """A seat to start from: its room as the script needs it, 4/R by Sabine and by Eyring."""

    label: str
    where: str
    distance_m: float
    loudspeakers: int
    schroeder_hz: float
    back_dead: float
    back_live: float


@dataclass(frozen=True, kw_only=True)
class CalculatorNeed:
    """Something to listen to; `weighting_db` is what the weighting does to pink sound."""

    name: str
    average_db: float
    weighting: str
    weighting_db: float
    crest_db: float
    shared: bool


@dataclass(frozen=True, kw_only=True)
class CalculatorBand:
    """A band's losses as measured: (level at 1 m, loss or None, half-width), levels rising."""

    name: str
    share_db: float
    peaks: tuple[tuple[float, float | None, float], ...]
    average: tuple[tuple[float, float | None, float], ...]


@dataclass(frozen=True, kw_only=True)
class SeatCalculator:
    """What the page's calculator starts from: settings, the report's numbers, constants, words.

    Attributes
    ----------
    name : of the loudspeaker
    places, needs, bands : the reader's own seat first; the least demanding need; bass first
    start_need : which need it shows first
    given_db : what one loudspeaker gave at 1 m at the loudest level tested, None where not known
    played_to_db : the highest level of the long-term test, None without one
    free_db : from the levels' own space to the free field that rooms start from
    counts : words for so many loudspeakers
    words : what it says, with places for values in braces
    """

    name: str
    places: tuple[CalculatorPlace, ...]
    needs: tuple[CalculatorNeed, ...]
    bands: tuple[CalculatorBand, ...]
    start_need: int
    given_db: float | None
    played_to_db: float | None
    free_db: float
    nominal_hz: tuple[float, float]
    whole_from_hz: float
    grid_first: int
    grid_ratio: float
    grid_per_octave: int
    directivity_hz: tuple[float, ...]
    directivity_db: tuple[float, ...]
    directivity_tolerance_db: float
    modal_gain_db: float
    room_gain_db: tuple[float, float]
    sine_crest_db: float
    programme_db: float
    yes_within_db: float
    just_within_db: float
    gravest_first: tuple[str, ...]
    niosh_ceiling_dba: float
    caution_from_dba: float
    longest_distance_m: float
    most_loudspeakers: int
    counts: tuple[str, ...]
    words: Mapping[str, str]

    def __post_init__(self) -> None:
        """Refuse what the script could not start from, or would never end with."""
        if not (self.places and self.needs and self.bands):
            raise ValueError("the calculator has nothing to start from")
        if not 0 <= self.start_need < len(self.needs):
            raise ValueError(f"the calculator has no need {self.start_need}")
        steps = 1.5 < self.grid_ratio < 4.0 and 1 <= self.grid_per_octave <= 96
        if not (steps and self.grid_first > -2000 and self.nominal_hz[1] < 1e5):
            raise ValueError("the calculator's grid makes no sense")

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        return {
            "text/plain": "The reader's calculator: it works in the published page.",
            CALCULATOR_MIME: asdict(self),
        }

    @classmethod
    def from_json(cls, about: Mapping[str, Any]) -> Self:
        """Return the record that `asdict` and JSON made `about` from."""
        lists = {key: tuple(value) for key, value in about.items() if isinstance(value, list)}
        parts = {
            "places": tuple(CalculatorPlace(**place) for place in about["places"]),
            "needs": tuple(CalculatorNeed(**need) for need in about["needs"]),
            "bands": tuple(
                CalculatorBand(
                    name=band["name"],
                    share_db=band["share_db"],
                    peaks=tuple((one, two, three) for one, two, three in band["peaks"]),
                    average=tuple((one, two, three) for one, two, three in band["average"]),
                )
                for band in about["bands"]
            ),
        }
        return cls(**{**about, **lists, **parts})
