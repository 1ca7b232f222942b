"""Marks written as SVG: plain elements, text kept as text, lines as steps of tenths of a pixel.

A curve's steps are rounded where its points stand, so that they add up without a remainder.
"""

import base64
import functools
import html
import io
import re
from collections.abc import Iterator, Sequence

import numpy as np
from PIL import Image

from reportlib.arrays import FloatArray
from reportlib.figures import style
from reportlib.figures.marks import Area, Dots, Group, Line, LineStyle, Mark, Raster, Strokes, Words
from reportlib.readings.untold import runs

_JOINS = "stroke-linejoin:round;stroke-linecap:butt"
"""As `publish.svg` hands drawings on: outlines of areas alone have sharp corners."""

_NO_TEXT = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (2.2) does not allow, and no name needs."""


def svg_text(marks: Sequence[Mark], *, width_px: float, height_px: float) -> str:
    """Return a drawing as the text of an SVG file, in CSS pixels.

    Nothing in it depends on anything but the marks: the same give the same text.
    """
    size = f'width="{width_px:g}" height="{height_px:g}" viewBox="0 0 {width_px:g} {height_px:g}"'
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} style="{_JOINS}">',
            f'<g style="font-family: {style.FONT_STACK}">',
            *_elements(marks),
            "</g>\n</svg>\n",
        )
    )


def _elements(marks: Sequence[Mark]) -> Iterator[str]:
    """Write marks from the lowest to the highest."""
    for mark in sorted(marks, key=lambda one: one.zorder):
        match mark:
            case Line():
                cap = "square" if mark.capped and mark.style == "solid" else "butt"
                stroked = _stroke(mark.colour, width=mark.width, line_style=mark.style, cap=cap)
                if lines := "".join(_steps(run) for run in _unbroken(mark.points)):
                    yield _path(lines, _opacity(mark.alpha) | stroked)
            case Strokes():
                stroked = _stroke(mark.colour, width=mark.width, line_style=mark.style)
                yield _path("".join(_steps(ends) for ends in mark.ends), stroked)
            case Area():
                edge = _stroke(mark.edge, width=mark.edge_width, line_style=mark.edge_style)
                edge |= {"stroke-linejoin": "miter"} if "stroke" in edge else {}
                outlines = "".join(f"{_steps(corners)}z" for corners in mark.outlines)
                yield _path(outlines, _opacity(mark.alpha) | edge | {"fill": mark.fill})
            case Dots():
                edge = _stroke(mark.edge, width=mark.edge_width)
                discs = "".join(_disc(x, y, radius=mark.diameter / 2.0) for x, y in mark.centres)
                yield _path(discs, edge | {"fill": mark.fill})
            case Words():
                yield _words(mark)
            case Raster():
                yield _image(mark)
            case Group(frame=(left, top, width, height)):
                # Two drawings may stand in one document: a name means one place in all of them.
                name = "frame-" + "-".join(_short(side).replace(".", "_") for side in mark.frame)
                box = f'x="{_short(left)}" y="{_short(top)}"'
                box += f' width="{_short(width)}" height="{_short(height)}"'
                yield f'<clipPath id="{name}"><rect {box}/></clipPath>'
                yield f'<g clip-path="url(#{name})">'
                yield from _elements(mark.marks)
                yield "</g>"


def _stroke(
    colour: str, *, width: float, line_style: LineStyle = "solid", cap: str = "butt"
) -> dict[str, str]:
    if colour == "none" or not width:
        return {"fill": "none"}
    paint = {"fill": "none", "stroke": colour, "stroke-width": _short(width)}
    if cap != "butt":
        paint["stroke-linecap"] = cap
    if line_style != "solid":
        start, lengths = line_style
        paint["stroke-dasharray"] = ",".join(_short(width * length) for length in lengths)
        if start:
            paint["stroke-dashoffset"] = _short(width * start)
    return paint


def _opacity(alpha: float) -> dict[str, str]:
    return {"opacity": _short(alpha)} if alpha < 1.0 else {}


def _path(steps: str, paint: dict[str, str]) -> str:
    painted = "; ".join(f"{name}: {value}" for name, value in paint.items())
    return f'<path d="{steps}" style="{painted}"/>'


def _unbroken(points: FloatArray) -> list[FloatArray]:
    """Return the stretches of two points and more that have no gap."""
    known = runs(np.asarray(np.isfinite(points).all(axis=1)))
    return [points[first : last + 1] for first, last in known if last > first]


def _steps(points: FloatArray) -> str:
    tenths = np.rint(10.0 * points).astype(np.int64)
    x, y = tenths[0].tolist()
    steps = " ".join(map(_tenths, np.diff(tenths, axis=0).ravel().tolist()))
    return f"M{_tenths(x)} {_tenths(y)}l{steps}".replace(" -", "-")


@functools.lru_cache(maxsize=4096)
def _tenths(count: int) -> str:
    text = f"{count / 10.0:.7g}"
    return text.replace("0.", ".", 1) if -10 < count < 10 else text


def _disc(x: float, y: float, *, radius: float) -> str:
    r, across = _short(radius), _short(2.0 * radius)
    return f"M{_short(x - radius)} {_short(y)}a{r} {r} 0 1 0 {across} 0a{r} {r} 0 1 0-{across} 0z"


def _words(mark: Words) -> str:
    paint = f"font-size: {mark.size:g}px; fill: {mark.colour}"
    paint += "; font-weight: 700" if mark.bold else ""
    paint += f"; text-anchor: {mark.anchor}" if mark.anchor != "start" else ""
    place = f'x="{_short(mark.x)}" y="{_short(mark.y)}"'
    if mark.turn is not None:
        degrees, x, y = mark.turn
        place += f' transform="rotate({-degrees:g} {_short(x)} {_short(y)})"'
    text = html.escape(_NO_TEXT.sub("\ufffd", mark.text), quote=False)
    return f'<text {place} style="{paint}">{text}</text>'


def _image(mark: Raster) -> str:
    file = io.BytesIO()
    Image.fromarray(mark.pixels, "RGBA").save(file, format="png")
    data = base64.b64encode(file.getvalue()).decode("ascii")
    box = f'x="{_short(mark.left)}" y="{_short(mark.top)}"'
    box += f' width="{_short(mark.width)}" height="{_short(mark.height)}"'
    return (
        f'<image {box} preserveAspectRatio="none" '
        f'style="image-rendering:crisp-edges;image-rendering:pixelated" '
        f'href="data:image/png;base64,{data}"/>'
    )


def _short(value: float) -> str:
    return f"{round(float(value), 2):g}"
