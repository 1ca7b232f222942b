"""At equal output; what all figures of a comparison share, with their words."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reportlib.draw import style
from reportlib.draw.drawing import (
    LineEnd,
    Numbers,
    draw_dots,
    draw_whiskers,
    draw_zero,
    grey_out,
    name_ends,
    say_leaving,
    set_decibels,
)
from reportlib.draw.pictures import Drawn, drawn
from reportlib.draw.scales import change_scale, fitted, plain, text_width, wrapped
from reportlib.draw.sheet import (
    add_panel,
    from_corner,
    new_figure,
    set_height,
    write,
    write_heading,
)
from reportlib.draw.style import MARGIN_PX, Paper
from reportlib.draw.wordings import said
from reportlib.many.facts import comparison_facts, limit_words
from reportlib.many.ranking import one_scale
from reportlib.many.records import Comparison, OutputTrack, Question
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.numbers import counted, level_text, levels_text, listed, sentence
from reportlib.write.quotes import FactTable, written
from reportlib.write.writer import Said

_DASHES = ("solid", (0.0, (5.0, 2.0)), (0.0, (1.5, 1.5)), (0.0, (8.0, 2.0, 1.5, 2.0)))
_SHORT_NAMES = 60
_KEY_ROW_PX = 17.0
_LEVEL_STEPS_DB = (1.0, 2.0, 3.0, 5.0, 6.0, 10.0, 20.0)

_LEFT_PX = 44.0
_LABEL_PX = 92.0
_LABEL_OUT_PX = 16.0
_TIGHT_PX = 13.5


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """How one session's line is drawn: in grey print its dashes and its weight tell it apart."""

    colour: str
    width: float
    dashes: Any


def strokes(count: int) -> tuple[Stroke, ...]:
    """Return a stroke for each session, the last the darkest and heaviest."""
    colours, widths = style.ramp(count), style.weights(count)
    return tuple(
        Stroke(colour=colour, width=width, dashes=_DASHES[index % len(_DASHES)])
        for index, (colour, width) in enumerate(zip(colours, widths, strict=True))
    )


def labels_of(names: Sequence[str], *, width: float) -> tuple[str, ...]:
    """Return what stands beside lines: the names where all fit, else a letter each."""
    if all(text_width(name, size=style.SMALL_PX) <= width for name in names):
        return tuple(plain(name) for name in names)
    return tuple("ABCDEFGH"[: len(names)])


def write_top(
    figure: Figure,
    comparison: Comparison,
    *,
    title: str,
    more: str,
    labels: Sequence[str],
    paper: Paper,
) -> float:
    """Write the heading, and which letter is whose, each in one piece; return where it ends."""
    names = [plain(name) for name in comparison.names]
    name = listed(names)
    if len(name) > _SHORT_NAMES:
        name = f"{len(names)} sessions side by side"
    y = write_heading(figure, paper, name=name, title=title, more=more)
    if list(labels) == names:
        return y
    room = paper.width_px - 2.0 * MARGIN_PX
    parts = [
        fitted(f"{label}: {name}", size=style.SMALL_PX, width=room - 12.0).replace(" ", "\u00a0")
        for label, name in zip(labels, names, strict=True)
    ]
    for line in wrapped("; ".join(parts), size=style.SMALL_PX, width=room):
        write(figure, line, x=MARGIN_PX, y=y)
        y += _KEY_ROW_PX
    return y


def level_ticks(low_db: float, high_db: float, *, most: int) -> tuple[float, ...]:
    """Return round levels between two, at most `most` steps.

    >>> level_ticks(72.0, 99.0, most=3)
    (80.0, 90.0)
    """
    step = next((s for s in _LEVEL_STEPS_DB if (high_db - low_db) / s <= most), 20.0)
    first = math.ceil(low_db / step - 1e-9)
    last = math.floor(high_db / step + 1e-9)
    return tuple(step * index for index in range(first, last + 1))


def at_equal_output(comparison: Comparison, *, said: Said = said) -> Drawn | None:
    """Draw by band how far each session lags by how much it gives, one line a session.

    None where no two sessions gave an output in common.
    """
    if not comparison.points:
        return None
    return drawn(
        partial(draw_output, comparison),
        name="at-equal-output",
        caption=caption_at_equal_output(comparison, said=said),
        alt=alt_at_equal_output(comparison, said=said),
    )


def draw_output(comparison: Comparison, paper: Paper) -> Figure:
    """Draw it on a paper."""
    names = comparison.names
    labels = labels_of(names, width=_LABEL_PX)
    figure = new_figure(paper)
    first = 30.0 + write_top(
        figure,
        comparison,
        title="At equal output",
        more="Across: how much comes out, dB at 1 m. Up: how far that is from what was asked, dB.",
        labels=labels,
        paper=paper,
    )
    told = [track for track in comparison.tracks if track.told]
    scale = change_scale(
        [
            float(value)
            for one in told
            for value in (*(one.change_db - one.u95_db), *(one.change_db + one.u95_db))
        ],
        hold_all=True,
    )
    columns = paper.either(2, phone=1)
    height = max(150.0, _TIGHT_PX * (len(labels) + 1))  # a label a session
    gutter = _LABEL_OUT_PX + MARGIN_PX + max(text_width(one, size=style.SMALL_PX) for one in labels)
    each = (paper.width_px - MARGIN_PX) / columns
    outputs = (
        min(float(track.given_db.min()) for track in told),
        max(float(track.given_db.max()) for track in told),
    )
    of = dict(zip(names, zip(strokes(len(names)), labels, strict=True), strict=True))
    for index, band in enumerate(BANDS):
        row, column = divmod(index, columns)
        top = first + row * (height + 62.0)
        ax = add_panel(
            figure, left=column * each + _LEFT_PX, top=top, width=each - _LEFT_PX - gutter,
            height=height,
        )  # fmt: skip
        ax.set_title(sentence(band.name), pad=9.0)
        ranked = [one.at_db or 0.0 for one in comparison.ranked("equal output", band=band.name)]
        if ranked:
            ax.text(0.0, -9.0, f"ranked at {levels_text(ranked)}", color=style.MUTED, ha="right",
                    transform=from_corner(ax, right=True))  # fmt: skip
        set_decibels(ax, scale, paper=paper, unit="")
        set_levels(ax, outputs, at=level_ticks(*outputs, most=4))
        own = [track for track in told if track.band == band.name]
        if own:
            for at in ranked:
                ax.axvline(at, color=style.UNTOLD, linewidth=1.6, zorder=1.0)
            _draw_tracks(ax, own, of=of)
        else:
            grey_out(ax, "no level")
            ax.grid(visible=False)
            ax.tick_params(labelleft=False, labelbottom=False)
    set_height(figure, top + height + 34.0)
    return figure


def set_levels(
    ax: Axes, range_db: tuple[float, float], *, at: Sequence[float], signed: bool = False
) -> None:
    """Make the horizontal axis one of levels in dB."""
    ax.set_xlim(range_db)
    ax.set_xticks(list(at))
    ax.xaxis.set_major_formatter(Numbers(unit="dB", signed=signed))


def _draw_tracks(
    ax: Axes, tracks: Sequence[OutputTrack], *, of: dict[str, tuple[Stroke, str]]
) -> None:
    """Draw a band's lines, each session's name beside its line's right end."""
    draw_zero(ax)
    ends = []
    for track in tracks:
        stroke, label = of[track.name]
        x, y, u95 = track.given_db, track.change_db, track.u95_db
        (line,) = ax.plot(
            x, y, color=stroke.colour, linewidth=stroke.width, linestyle=stroke.dashes
        )
        draw_dots(ax, x[1:], y=y[1:], color=stroke.colour, markersize=stroke.width + 2.6)
        draw_whiskers(ax, x[1:], y=y[1:], u95=u95[1:], color=stroke.colour, linewidth=0.9)
        ends.append(LineEnd(text=label, at=line, leader=stroke.colour))
    name_ends(ax, ends, out=_LABEL_OUT_PX, gap=_TIGHT_PX + 1.0, inset=4.0)
    say_leaving(ax)


def caption_at_equal_output(comparison: Comparison, *, said: Said) -> str:
    """Say how the picture reads, and what is not in it."""
    ranked = comparison.ranked("equal output")
    return said(
        "comparison/in-short/caption-at-equal-output",
        ranked=said("comparison/in-short/ranked") if ranked else "",
        not_ranked=_not_ranked(comparison, said=said),
    )


def _not_ranked(comparison: Comparison, *, said: Said) -> str:
    """Name those that are drawn and take no place."""
    places = comparison.places("equal output")
    told = {track.name for track in comparison.tracks if track.told}
    aside = [name for name in comparison.names if name in told and name not in places]
    if not aside or not places:
        return ""
    return said("comparison/in-short/not-ranked", names=listed(aside))


def alt_at_equal_output(comparison: Comparison, *, said: Said) -> str:
    """Read out the changes at the outputs that are ranked."""
    return said(
        "comparison/in-short/alt-at-equal-output",
        bands=counted(len(BANDS), "band"),
        names=listed(comparison.names),
        read_out=_read_out(comparison, "equal output", said=said),
    )


def caption_beside_left_playing(comparison: Comparison, *, said: Said) -> str:
    """Say what the bars are, and when it was heard."""
    return said(
        "comparison/left-playing/caption-beside-left-playing",
        how_heard=said(f"comparison/left-playing/{_how_heard(comparison)}"),
    )


def alt_beside_left_playing(comparison: Comparison, *, said: Said) -> str:
    """Read out the changes after the same stress."""
    return said(
        "comparison/left-playing/alt-beside-left-playing",
        names=listed(comparison.names),
        read_out=_read_out(comparison, "left playing", said=said),
    )


def caption_beside_limits(comparison: Comparison, *, said: Said) -> str:
    """Say what bars and arrows are, and whether rows can be held against each other."""
    alike = one_scale(comparison.sessions)
    return said(
        "comparison/numbers/caption-beside-limits",
        scales="" if alike else said("comparison/numbers/own-scales"),
    )


def alt_beside_limits(comparison: Comparison, *, said: Said) -> str:
    """Read out every limit."""
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    parts = []
    for band in BANDS:
        limits = [one for one in comparison.limits if one.limit.band == band.name]
        told = [
            f"{one.name} {limit_words(one.limit, slug=slugs[one.name], facts=facts)}"
            for one in limits
        ]
        parts.append(f"{sentence(band.name)}: {listed(told)}.")
    return said("comparison/numbers/alt-beside-limits", limits=" ".join(parts))


def _mean(facts: FactTable, *, slug: str, band: str, part: str) -> str:
    return written(facts[f"beside.{slug}.{SLUGS[band]}.{part}.mean"])


def _read_out(comparison: Comparison, question: Question, *, said: Said) -> str:
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    part = "rank" if question == "equal output" else "long"
    found = []
    for ranking in comparison.ranked(question):
        told = [
            f"{one.name} {_mean(facts, slug=slugs[one.name], band=ranking.band, part=part)}"
            for one in ranking.standings
            if f"beside.{slugs[one.name]}.{SLUGS[ranking.band]}.{part}.mean" in facts
        ]
        wording = "read-out" if ranking.partings else "read-out-close"
        found.append(
            said(
                f"comparison/figures/{wording}",
                band=sentence(ranking.band),
                level=level_text(ranking.at_db or 0.0),
                sessions=listed(told),
            )
        )
    return " ".join(found)


def _how_heard(comparison: Comparison) -> str:
    """Name the wording that says how the changes after the stress were heard."""
    ways = {one.while_playing for one in comparison.ranked("left playing")}
    if ways == {True}:
        return "heard-while-playing"
    return "heard-afterwards" if ways == {False} else "heard-either-way"
