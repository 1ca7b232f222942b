"""At equal output: by band, how far each session lags as more and more comes out."""

from collections.abc import Sequence

from reportlib.compared import Comparison, OutputTrack
from reportlib.figures import style
from reportlib.figures.beside_parts import (
    Stroke,
    heading_name,
    key,
    labels,
    level_ticks,
    strokes,
)
from reportlib.figures.frame import Frame
from reportlib.figures.heading import Heading
from reportlib.figures.lettering import text_width
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.placing import spread
from reportlib.figures.scales import Scale, change_scale
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.levels import BANDS
from reportlib.numbers import levels_text, sentence

_LEFT_PX = 44.0
_LABEL_PX = 92.0
_COLUMNS = 2
_FRAME_PX = 150.0
_TIGHT_PX = 13.5
_ABOVE_PX = 30.0
_BETWEEN_ROWS_PX = 62.0
_UNDER_PX = 34.0
_LABEL_OUT_PX = 16.0
_MOST_STEPS = 4


def draw(comparison: Comparison, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no two sessions gave an output in common."""
    if not comparison.points:
        return None
    names = comparison.names
    short = labels(names, size=style.SMALL_PX, width=_LABEL_PX)
    heading = Heading(
        name=heading_name(comparison),
        title="At equal output",
        more="Across: how much comes out, dB at 1 m. Up: how far that is from what was asked, dB.",
    )
    legend = key(names, labelled=short, paper=paper)
    top = heading.height(paper) + legend.height
    told = [track for track in comparison.tracks if track.told]
    scale = change_scale(
        [
            value
            for track in told
            for value in (*(track.change_db - track.u95_db), *(track.change_db + track.u95_db))
        ],
        hold_all=True,
    )
    frames = _frames(told, scale=scale, top=top + _ABOVE_PX, paper=paper, short=short)
    sheet = Sheet(paper=paper, height_px=frames[-1].bottom + _UNDER_PX)
    heading.write(sheet)
    legend.write(sheet, top=heading.height(paper))
    of = dict(zip(names, zip(strokes(len(names)), short, strict=True), strict=True))
    for band, frame in zip(BANDS, frames, strict=True):
        own = [track for track in told if track.band == band.name]
        ranked = [one.at_db or 0.0 for one in comparison.ranked("equal output", band=band.name)]
        sheet.text(
            frame.left, frame.top - 9.0, text=sentence(band.name), size=style.TEXT_PX,
            weight="bold",
        )  # fmt: skip
        if ranked:
            text = f"ranked at {levels_text(ranked)}"
            sheet.text(
                frame.right, frame.top - 9.0, text=text, size=style.SMALL_PX, color=style.MUTED,
                ha="right",
            )  # fmt: skip
        if not own:
            frame.grey_out(sheet, why="no level")
            continue
        _draw_band(sheet, own, frame=frame, scale=scale, ranked_db=ranked, of=of)
    return sheet


def _frames(
    tracks: Sequence[OutputTrack],
    *,
    scale: Scale,
    top: float,
    paper: Paper,
    short: Sequence[str],
) -> list[Frame]:
    """A frame a band, high enough for a label a session."""
    columns = paper.either(_COLUMNS, phone=1)
    height = max(_FRAME_PX, _TIGHT_PX * (len(short) + 1))
    gutter = _LABEL_OUT_PX + MARGIN_PX + max(text_width(one, size=style.SMALL_PX) for one in short)
    each = (paper.width_px - MARGIN_PX) / columns
    low = min(float(track.given_db.min()) for track in tracks)
    high = max(float(track.given_db.max()) for track in tracks)
    found = []
    for index in range(len(BANDS)):
        row, column = divmod(index, columns)
        found.append(
            Frame(
                left=column * each + _LEFT_PX,
                top=top + row * (height + _BETWEEN_ROWS_PX),
                width=each - _LEFT_PX - gutter,
                height=height,
                x_range=(low, high),
                y_range=(scale.low_db, scale.high_db),
            )
        )
    return found


def _draw_band(
    sheet: Sheet,
    tracks: Sequence[OutputTrack],
    *,
    frame: Frame,
    scale: Scale,
    ranked_db: Sequence[float],
    of: dict[str, tuple[Stroke, str]],
) -> None:
    outputs = level_ticks(*frame.x_range, most=_MOST_STEPS)
    frame.grid(sheet, xs=outputs, ys=scale.ticks_db)
    frame.write_decibels(sheet, scale.ticks_db, unit="")
    for index, output in enumerate(outputs):
        text = f"{output:g}" + (" dB" if index == len(outputs) - 1 else "")
        x = frame.x(output)
        sheet.text(x, frame.bottom + 18.0, text=text, size=style.SMALL_PX, ha="center")
    zero = frame.y(0.0)
    sheet.strokes([((frame.left, zero), (frame.right, zero))], color=style.UNTOLD, linewidth=0.9)
    sheet.strokes(
        [((frame.x(at), frame.top), (frame.x(at), frame.bottom)) for at in ranked_db],
        color=style.UNTOLD,
        linewidth=1.6,
    )
    for track in tracks:
        _draw_track(sheet, track, frame=frame, stroke=of[track.name][0])
    _name_ends(sheet, tracks, frame=frame, of=of)


def _draw_track(sheet: Sheet, track: OutputTrack, *, frame: Frame, stroke: Stroke) -> None:
    xs = [frame.x(given) for given in track.given_db]
    ys = [frame.y(change) for change in track.change_db]
    sheet.line(xs, ys, color=stroke.colour, linewidth=stroke.width, linestyle=stroke.dashes)
    dots = list(zip(xs[1:], ys[1:], strict=True))
    sheet.dots(dots, color=stroke.colour, markersize=stroke.width + 2.6)
    whiskers = [
        ((x, frame.y(change - u95)), (x, frame.y(change + u95)))
        for x, change, u95 in zip(xs[1:], track.change_db[1:], track.u95_db[1:], strict=True)
    ]
    sheet.strokes(whiskers, color=stroke.colour, linewidth=0.9)


def _name_ends(
    sheet: Sheet,
    tracks: Sequence[OutputTrack],
    *,
    frame: Frame,
    of: dict[str, tuple[Stroke, str]],
) -> None:
    """Write each session's name beside its line's right end, moved apart where they collide."""
    at = [frame.y(float(track.change_db[-1])) for track in tracks]
    places = spread(at, gap=_TIGHT_PX + 1.0, low=frame.top + 4.0, high=frame.bottom - 4.0)
    for track, here, y in zip(tracks, at, places, strict=True):
        stroke, label = of[track.name]
        end = frame.x(float(track.given_db[-1]))
        if frame.right - end > 3.0:
            sheet.line((end + 3.0, frame.right), (here, here), color=style.RULE, linewidth=0.8)
        sheet.line(
            (frame.right + 1.0, frame.right + 4.0, frame.right + _LABEL_OUT_PX - 2.0),
            (here, here, y),
            color=stroke.colour,
            linewidth=1.0,
        )
        sheet.text(frame.right + _LABEL_OUT_PX, y, text=label, size=style.SMALL_PX, va="center")
