"""How much of the rise came out: the level ladder, one row a band and one box a level."""

from collections.abc import Mapping, Sequence
from functools import partial

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reportlib.draw import style
from reportlib.draw.pictures import Drawn, drawn
from reportlib.draw.scales import text_width
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
from reportlib.judge.records import Analysis
from reportlib.measure.levels import BANDS
from reportlib.numbers import db_number, hz_range_text, sentence
from reportlib.write import captions
from reportlib.write.readings_sweeps import (
    Rung,
    driven_levels,
    rungs,
)
from reportlib.write.shown import LADDER
from reportlib.write.writer import Said

_NUMBERS_FROM_PX = 36.0
"""Boxes that stand closer leave no room for numbers: these then stand in the table alone."""
_BARE_TEXT_PX = 12.0
_BARE_GAP_PX = 5.0
_LOWEST_LID_PX = 1.0
_HIGHEST_LID_PX = 8.0
_KEY_BOX_PX = (24.0, 18.0)


def level_ladder(analysis: Analysis, *, said: Said = said) -> Drawn | None:
    """Draw by band and level how much of the asked-for rise came out; None without a level."""
    if not driven_levels(analysis):
        return None
    return drawn(
        partial(draw_ladder, analysis),
        name=LADDER,
        caption=captions.caption_level_ladder(analysis, said=said),
        alt=captions.alt_level_ladder(analysis, said=said),
    )


def draw_ladder(analysis: Analysis, paper: Paper) -> Figure:
    """Draw the ladder, without numbers where boxes stand too close."""
    levels = driven_levels(analysis)
    labels, text, note = paper.either((138.0, 17.0, 14.0), phone=(88.0, 14.0, 11.5))
    high, pitch_y = paper.either((38.0, 69.0), phone=(34.0, 64.0))
    widest = paper.either(84.0, phone=60.0)
    room = paper.width_px - labels - MARGIN_PX
    pitch = min(room / len(levels), 1.36 * widest)
    bare = pitch < _NUMBERS_FROM_PX
    size = _BARE_TEXT_PX if bare else min(text, 0.3 * pitch)
    figure = new_figure(paper)
    numbers = "Numbers: in the table of bands."
    first = 29.0 + write_heading(
        figure,
        paper,
        name=analysis.session.speaker.name,
        title=paper.either(
            "Turned up: how much of the rise came out", phone="How much of the rise came out"
        ),
        more=paper.either(
            "Filled: share of the rise in sound power. "
            + (numbers if bare else "Under it: dB less (−) or more (+) than asked."),
            phone=numbers if bare else "",
        ),
        small=note,
    )
    if bare:
        first, pitch_y = first + 6.0, pitch_y - note
    y = first - 14.0
    write(figure, "asked for, dB", x=MARGIN_PX, y=y, size=note, color=style.MUTED)
    centres = {level: labels + (index + 0.5) * pitch for index, level in enumerate(levels)}
    named = _spaced(centres, size=size, right=paper.width_px - MARGIN_PX) if bare else centres
    for level, x in named.items():
        write(figure, f"{level:g}", x=x, y=y, size=size, weight="bold", ha="center")
    every = rungs(analysis)
    shown = [band for band in BANDS if any(rung.band == band.name for rung in every)]
    for index, band in enumerate(reversed(shown)):
        top = first + index * pitch_y
        write(figure, sentence(band.name), x=MARGIN_PX, y=top + text, size=text, weight="bold")
        words = hz_range_text(band.low_hz, band.high_hz)
        write(figure, words, x=MARGIN_PX, y=top + 2.12 * text, size=note, color=style.MUTED)
        ax = add_panel(figure, left=labels, top=top, width=pitch * len(levels), height=high)
        ax.set_label(band.name)
        band_rungs = [rung for rung in every if rung.band == band.name]
        shares = [rung.share for rung in band_rungs]
        wide = min(0.74 * pitch, widest) / pitch
        _draw_boxes(ax, shares, wide=wide, high=high, size=size)
        for place, rung in enumerate(band_rungs):
            if rung.change_db is not None and not bare:
                quiet = rung.grade == "holds"
                ax.text(
                    (place + 0.5) * pitch,
                    high + size + 2.0,
                    db_number(rung.change_db, u95_db=rung.u95_db),
                    size=size,
                    weight="normal" if quiet else "bold",
                    color=style.MUTED if quiet else style.INK,
                    ha="center",
                    transform=from_corner(ax),
                )
    under = first + len(shown) * pitch_y + 4.0
    set_height(figure, _write_key(figure, every, top=under, high=high, note=note, paper=paper))
    return figure


def _draw_boxes(
    ax: Axes, shares: Sequence[float | None], *, wide: float, high: float, size: float
) -> None:
    """Draw a box a share, filled from below; what came out beyond a full box stands on it.

    Parameters
    ----------
    wide : of a box, as a part of the distance from box to box
    high : of a box, in pixels
    size : of "?", for can't tell
    """
    ax.set_xlim(-0.5, len(shares) - 0.5)
    ax.set_ylim(0.0, 1.0)
    ax.set_axis_off()
    told = [(x, share) for x, share in enumerate(shares) if share is not None]
    at = [x for x, _ in told]
    fills = [min(share, 1.0) for _, share in told]
    ax.bar(at, 1.0, width=wide, facecolor=style.WATER, clip_on=False)
    ax.bar(at, fills, width=wide, facecolor=style.SEA, clip_on=False)
    ax.bar(at, 1.0, width=wide, facecolor="none", edgecolor=style.SEA, linewidth=1.0, clip_on=False)
    lids = [(x, _lid_px(share, high=high) / high) for x, share in told]
    lids = [(x, lid) for x, lid in lids if lid > 0.0]
    ax.bar([x for x, _ in lids], [lid for _, lid in lids], bottom=1.0, width=wide,
           facecolor=style.INK, clip_on=False)  # fmt: skip
    unknown = [x for x, share in enumerate(shares) if share is None]
    ax.bar(unknown, 1.0, width=wide, facecolor="none", edgecolor=style.UNTOLD, linewidth=1.0,
           linestyle=(0, (3, 3)), clip_on=False)  # fmt: skip
    for x in unknown:
        ax.text(x, 0.5, "?", size=size, color=style.MUTED, weight="bold", ha="center",
                va="center_baseline")  # fmt: skip


def _lid_px(share: float | None, *, high: float) -> float:
    """Return how high what came out beyond a full box stands on it; 0: too little to be seen."""
    lid = min(((share or 0.0) - 1.0) * high, _HIGHEST_LID_PX)
    return lid if lid >= _LOWEST_LID_PX else 0.0


def _spaced(centres: Mapping[float, float], *, size: float, right: float) -> dict[float, float]:
    """Return of the levels those whose names fit beside each other, the loudest first."""
    kept: dict[float, float] = {}
    free = right
    for level_db, centre in reversed([*centres.items()]):
        half = text_width(f"{level_db:g}", size=size, weight="bold") / 2.0
        x = centre if kept else min(centre, right - half)
        if x + half <= free:
            kept[level_db] = x
            free = x - half - _BARE_GAP_PX
    return kept


def _write_key(
    figure: Figure, every: Sequence[Rung], *, top: float, high: float, note: float, paper: Paper
) -> float:
    """Write the key under the ladder, of what occurs in it; return where it ends."""
    samples: list[tuple[float | None, str]] = [(1.0, "all came out"), (0.5, "half of it")]
    if any(_lid_px(rung.share, high=high) for rung in every):
        samples.append((1.2, "more than asked"))
    if any(rung.share is None for rung in every):
        samples.append((None, "can't tell"))
    x = start = paper.either(138.0, phone=MARGIN_PX)
    wide, tall = _KEY_BOX_PX
    for share, words in samples:
        length = 32.0 + text_width(words, size=note)
        if x > start and x + length > paper.width_px - MARGIN_PX:
            x, top = start, top + 28.0
        ax = add_panel(figure, left=x, top=top, width=wide, height=tall)
        _draw_boxes(ax, [share], wide=1.0, high=tall, size=13.0)
        write(figure, words, x=x + 32.0, y=top + 14.0, size=note, color=style.MUTED)
        x += length + 22.0
    return top + 30.0
