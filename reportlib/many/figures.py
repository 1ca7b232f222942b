"""A comparison's figures, each one or None.

A panel a band and a row a session.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from reportlib.draw import style
from reportlib.draw.pictures import Drawn, drawn
from reportlib.draw.scales import change_scale, text_width
from reportlib.draw.sheet import add_panel, from_corner, new_figure, set_height, write
from reportlib.draw.style import MARGIN_PX, Paper
from reportlib.draw.wordings import said
from reportlib.judge.limits import kind_of
from reportlib.judge.records import Limit
from reportlib.judge.thresholds import BEHIND_DB
from reportlib.many import drawing
from reportlib.many.drawing import at_equal_output, labels_of, level_ticks, set_levels, write_top
from reportlib.many.facts import comparison_facts, limit_words, limited_bands
from reportlib.many.ranking import one_scale
from reportlib.many.records import Comparison, Ranking
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.numbers import duration, level_text, sentence
from reportlib.write.quotes import FactTable, written
from reportlib.write.writer import Said

__all__ = [
    "at_equal_output",
    "beside_left_playing",
    "beside_limits",
]


_ROW_PX = 20.0
_ROW_LABEL_PX, _ROW_LABEL_PHONE_PX = 220.0, 84.0
_BAR_PX = 7.0
_ARROW_PX = 12.0
_OUT_PX = 10.0
_BEYOND = 0.06
"""Room for arrows, as a share of the scale."""
_BEFORE_DB, _LEAST_DB = 4.0, 12.0
"""The scale begins so far below whatever is drawn, and is at least so wide."""


@dataclass(frozen=True, kw_only=True)
class Row:
    """One session in one band.

    Attributes
    ----------
    label, words : what stands left and right of it
    value, low, high : where the mark and its bar stand; None for no mark, or an open end
    marked : whether anything is drawn
    """

    label: str
    words: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    marked: bool = True


@dataclass(frozen=True, kw_only=True)
class Block:
    """One band: its name, what is said beside it, and a row a session."""

    band: str
    note: str
    rows: tuple[Row, ...]


def beside_left_playing(comparison: Comparison, *, said: Said = said) -> Drawn | None:
    """Draw by band what each session lost after the same stress; None where no two had it."""
    if not comparison.ranked("left playing"):
        return None
    return drawn(
        partial(draw_left_playing, comparison),
        name="beside-left-playing",
        caption=drawing.caption_beside_left_playing(comparison, said=said),
        alt=drawing.alt_beside_left_playing(comparison, said=said),
    )


def draw_left_playing(comparison: Comparison, paper: Paper) -> Figure:
    """Draw it on a paper."""
    labels = labels_of(
        comparison.names, width=paper.either(_ROW_LABEL_PX, phone=_ROW_LABEL_PHONE_PX)
    )
    short = dict(zip(comparison.names, labels, strict=True))
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}

    def row(ranking: Ranking, name: str) -> Row:
        one = ranking.standing(name)
        words = written(facts[f"beside.{slugs[name]}.{SLUGS[ranking.band]}.long.mean"])
        return Row(
            label=short[name], words=words, value=one.value_db, low=one.low_db, high=one.high_db
        )

    blocks = [
        Block(
            band=band.name,
            note=f"{level_text(ranking.at_db or 0.0)} for {duration(ranking.elapsed_s)}",
            rows=tuple(row(ranking, name) for name in comparison.names if name in ranking.names),
        )
        for band in BANDS
        for ranking in comparison.ranked("left playing", band=band.name)
    ]
    ends = [
        end
        for ranking in comparison.ranked("left playing")
        for one in ranking.standings
        for end in (one.low_db, one.high_db)
        if end is not None
    ]
    scale = change_scale(ends, hold_all=True)
    figure = new_figure(paper)
    top = write_top(
        figure,
        comparison,
        title="Left playing, side by side",
        more="Change in output after the same level for the same time, and how surely that is "
        "known.",
        labels=labels,
        paper=paper,
    )
    at = MaxNLocator(6, steps=[1, 2, 3, 5, 10]).tick_values(scale.low_db, scale.high_db)
    range_db = (scale.low_db, scale.high_db)
    _draw_blocks(figure, blocks, top=top, range_db=range_db, at=at, paper=paper, signed=True)
    return figure


def beside_limits(comparison: Comparison, *, said: Said = said) -> Drawn | None:
    """Draw by band the level at which each session is 1 dB short; None where none is, or may be."""
    if not limited_bands(comparison):
        return None
    return drawn(
        partial(draw_limits, comparison),
        name="beside-limits",
        caption=drawing.caption_beside_limits(comparison, said=said),
        alt=drawing.alt_beside_limits(comparison, said=said),
    )


def draw_limits(comparison: Comparison, paper: Paper) -> Figure:
    """Draw it on a paper."""
    names = comparison.names
    labels = labels_of(names, width=paper.either(_ROW_LABEL_PX, phone=_ROW_LABEL_PHONE_PX))
    limits = {(one.name, one.limit.band): one.limit for one in comparison.limits}
    shown = [
        end
        for limit in limits.values()
        for end in (limit.low_db, limit.level_db, limit.tested_to_db)
        if end is not None
    ]
    high = max(one.limit.tested_to_db for one in comparison.limits if one.limit.tested_to_db)
    low = max(
        min(one.baseline_db for one in comparison.sessions),
        min(min(shown) - _BEFORE_DB, high - _LEAST_DB),
    )
    spare = _BEYOND * (high - low)
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    blocks = [
        Block(
            band=band,
            note="",
            rows=tuple(
                _limit_row(limits[name, band], label=label, slug=slugs[name], facts=facts)
                for name, label in zip(names, labels, strict=True)
            ),
        )
        for band in limited_bands(comparison)
    ]
    figure = new_figure(paper)
    at_1_m = " at 1 m" if one_scale(comparison.sessions) else ""
    top = write_top(
        figure,
        comparison,
        title=f"Turned up until {BEHIND_DB[0]:g} dB short",
        more=f"The level, dB{at_1_m}, at which a band is first {BEHIND_DB[0]:g} dB short, and "
        "how surely that is known.",
        labels=labels,
        paper=paper,
    )
    at = level_ticks(low, high, most=paper.either(6, phone=3))
    range_db = (low - spare, high + spare)
    _draw_blocks(figure, blocks, top=top, range_db=range_db, at=at, paper=paper)
    return figure


def _limit_row(limit: Limit, *, label: str, slug: str, facts: FactTable) -> Row:
    words = limit_words(limit, slug=slug, facts=facts)
    if kind_of(limit) == "can't tell":
        return Row(label=label, words=words, marked=False)
    low = limit.low_db
    if not limit.reached and low is None:
        low = limit.tested_to_db
    return Row(label=label, words=words, value=limit.level_db, low=low, high=limit.high_db)


def _draw_blocks(
    figure: Figure,
    blocks: Sequence[Block],
    *,
    top: float,
    range_db: tuple[float, float],
    at: Sequence[float],
    paper: Paper,
    signed: bool = False,
) -> None:
    """Draw blocks of rows with one scale under them all.

    Parameters
    ----------
    range_db, at : the scale, and its numbers
    signed : whether a line stands at 0 dB, and numbers carry their sign
    """
    rows = [row for block in blocks for row in block.rows]
    right = max(text_width(row.words, size=style.SMALL_PX) for row in rows) + _OUT_PX + MARGIN_PX
    left = max(text_width(row.label, size=style.SMALL_PX) for row in rows) + 5.0 * MARGIN_PX
    for block in blocks:
        top += 24.0
        height = _ROW_PX * len(block.rows)
        ax = add_panel(
            figure, left=left, top=top, width=paper.width_px - left - right, height=height
        )
        set_levels(ax, range_db, at=at, signed=signed)
        ax.tick_params(labelleft=False, labelbottom=block is blocks[-1], pad=10.5)
        ax.set_ylim(len(block.rows) - 0.5, -0.5)
        ax.grid(visible=False, axis="y")
        ax.grid(axis="x", clip_on=False)
        if signed:
            ax.axvline(0.0, color=style.UNTOLD, linewidth=0.9, zorder=1.0)
        name = sentence(block.band)
        write(figure, name, x=MARGIN_PX, y=top - 6.0, size=style.TEXT_PX, weight="bold")
        x = MARGIN_PX + text_width(name, size=style.TEXT_PX, weight="bold") + 8.0
        write(figure, block.note, x=x, y=top - 6.0, color=style.MUTED)
        for index, row in enumerate(block.rows):
            _draw_row(ax, row, index=index, left=left)
        top += height + 14.0
    set_height(figure, top + 34.0)


def _draw_row(ax: Axes, row: Row, *, index: int, left: float) -> None:
    """Draw the bar, an arrow for each open end, and the mark."""
    color = style.INK if row.marked else style.MUTED
    looks: dict[str, Any] = {"color": color, "va": "center_baseline"}
    y = _ROW_PX * (index + 0.5)
    ax.text(2.0 * MARGIN_PX - left, y, row.label, transform=from_corner(ax), **looks)
    ax.text(_OUT_PX, y, row.words, transform=from_corner(ax, right=True), **looks)
    if not row.marked:
        return
    first, last = ax.get_xlim()
    low = first if row.low is None else row.low
    high = last if row.high is None else row.high
    ax.barh(index, high - low, left=low, height=_BAR_PX / _ROW_PX, facecolor=style.SEA, alpha=0.45)
    for end, way, is_open in ((low, -1.0, row.low is None), (high, 1.0, row.high is None)):
        if is_open:
            arrow = [(0.0, -1.0), (0.0, 1.0), (way, 0.0)]
            ax.plot(end, index, marker=arrow, color=style.SEA, markersize=_ARROW_PX, clip_on=False)
    if row.value is not None:
        ax.plot(row.value, index, "|", color=style.INK, markersize=_ARROW_PX, markeredgewidth=2.2)
