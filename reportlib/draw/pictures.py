"""What a figure function returns: a figure on everything that it is shown on, with its words."""

import io
import re
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any, Self

import matplotlib as mpl
from matplotlib.figure import Figure

from reportlib.draw.press import pressed
from reportlib.draw.scales import plain
from reportlib.draw.sheet import POINTS_AN_INCH, box_px, size_px
from reportlib.draw.style import FONTS_SHOWN, PAGE, PHONE, Paper, house
from reportlib.errors import RenderError, ReportError, one_line
from reportlib.measure.records import ChangeCurve
from reportlib.numbers import level_text
from reportlib.write.readings_curves import curve_words, frequency_words, read_points, where_most
from reportlib.write.shown import Picture, ReadLine, ReadOut

SCALE = 2.0
"""Pixels of a PNG file a CSS pixel."""
READ_AXES = "read out"
"""Label of the axes whose curves the page's cursor reads."""

_CHANGED = "The reviewer has changed how this is drawn."
_NOTHING = dict.fromkeys(("Date", "Creator", "Format", "Type"))
_POLYLINE = re.compile(r"[ML] [-\d. ]+(?:\s*\nL [-\d. ]+)+")
"""A run of straight lines as matplotlib writes it."""
_JOINS = "stroke-linejoin:round;stroke-linecap:butt"
_SOURCE = """
#set page(
  width: float(sys.inputs.width) * 1pt,
  height: float(sys.inputs.height) * 1pt,
  margin: 0pt,
  fill: white,
)
#image(bytes(sys.inputs.drawing), format: "svg", width: 100%)
"""
"""One point a CSS pixel; the drawing travels as data, which typst never reads as code."""


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What the page's cursor reads: its name, and the curves of `READ_AXES`, quietest first."""

    label: str
    curves: Sequence[ChangeCurve]


@dataclass(frozen=True, kw_only=True)
class Drawn(Picture):
    """A picture that can be drawn again.

    Attributes
    ----------
    draw : the figure for a paper
    reading : what can be read off it
    """

    draw: Callable[[Paper], Figure] = field(repr=False, compare=False)
    reading: Reading | None = field(default=None, repr=False, compare=False)

    def changed(self, change: Callable[[Figure], object]) -> Self:
        """Return it with a reviewer's change, made to its drawing on every paper.

        Its words say that it was changed, but for a caption that the reviewer wrote.

        Parameters
        ----------
        change : takes the matplotlib figure

        Raises
        ------
        RenderError
            `change` failed, or left what can't be drawn.

        Examples
        --------
        >>> figures.turned_up(report).changed(  # doctest: +SKIP
        ...     lambda figure: figure.axes[0].set_ylim(-3, 1)
        ... )
        """

        def draw(paper: Paper) -> Figure:
            figure = self.draw(paper)
            change(figure)
            return figure

        try:
            drawings = _drawings(draw, name=self.name, reading=self.reading)
        except ReportError:
            raise
        except Exception as error:
            reason = one_line(f"{type(error).__name__}: {error}")
            raise RenderError(
                f"the notebook's cell that changes the figure {self.name!r} stopped with {reason}. "
                "Mend what stands in its `.changed(…)`, or delete that."
            ) from None
        caption = self.caption if self.own_words else _said(self.caption)
        return replace(self, **drawings, draw=draw, caption=caption, alt=_said(self.alt))


def _said(words: str) -> str:
    return words if words.endswith(_CHANGED) else f"{words} {_CHANGED}"


def drawn(
    draw: Callable[[Paper], Figure],
    *,
    name: str,
    caption: str,
    alt: str,
    reading: Reading | None = None,
) -> Drawn:
    """Return a figure on a page and a phone and as pixels, with its words.

    Raises
    ------
    RenderError
        The pixels could not be made.
    """
    drawings = _drawings(draw, name=name, reading=reading)
    return Drawn(name=name, caption=caption, alt=alt, draw=draw, reading=reading, **drawings)


def _drawings(
    draw: Callable[[Paper], Figure], *, name: str, reading: Reading | None
) -> dict[str, Any]:
    """Return what a picture shows, by the names of its fields."""
    with house():
        page = draw(PAGE)
        svg = svg_text(page, name=name)
        width_px, height_px = size_px(page)
        with ThreadPoolExecutor(1) as press:
            # Typst needs no interpreter: the phone's drawing is made meanwhile.
            png = press.submit(png_bytes, svg, width_px=width_px, height_px=height_px)
            phone = draw(PHONE)
            phone_svg = svg_text(phone, name=f"{name}-phone")
            read_out = reading and _read_out(reading, page=page, phone=phone)
            return {
                "svg": svg,
                "phone_svg": phone_svg,
                "width_px": width_px,
                "height_px": height_px,
                "read_out": read_out,
                "png": png.result(),
            }


def svg_text(figure: Figure, *, name: str) -> str:
    """Return a figure as the text of an SVG file, in CSS pixels, fit to stand beside others.

    matplotlib gives sizes in points, writes a rule for every element of whatever page the drawing
    stands in, names its parts alike in every figure, and gives millionths of a pixel.

    Parameters
    ----------
    name : no other drawing of a page has it
    """
    file = io.StringIO()
    width_px, height_px = size_px(figure)
    with mpl.rc_context({"svg.hashsalt": name}):
        figure.savefig(file, format="svg", dpi=POINTS_AN_INCH, metadata=_NOTHING)
    svg = plain(file.getvalue())
    head, body = svg[svg.index("<svg") :].split(">", 1)
    head = re.sub(r'\s(width|height)="[\d.]+pt"', "", head)
    head = head.replace(
        "<svg", f'<svg width="{width_px:g}" height="{height_px:g}" style="{_JOINS}"', 1
    )
    body = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", body, count=1, flags=re.DOTALL)
    body = re.sub(r"""<g id=("[^"]*"|'[^']*')""", "<g", body)
    fonts = ", ".join([*map("'{}'".format, mpl.rcParams["font.sans-serif"]), "sans-serif"])
    body = body.replace(f"font-family: {fonts}; ", "")
    body = body.replace("<g", f'<g style="font-family: {FONTS_SHOWN}"', 1)
    body = _POLYLINE.sub(_packed_line, body)
    body = re.sub(r"(?<=\.\d\d)\d+(?=[^<>]*>)", "", body)  # in tags, never in a text
    body = re.sub(r' transform="rotate\(-?0 [^"]*"', "", body).replace("text-anchor: start; ", "")
    body = re.sub(r"\s*\n\s*", "\n", body)
    return f"{head}>{body}"


def _packed_line(found: re.Match[str]) -> str:
    """Return a run of lines as steps of tenths of a pixel, which add up without a remainder."""
    numbers = [round(10.0 * float(number)) for number in re.findall(r"-?[\d.]+", found[0])]
    xs, ys = numbers[::2], numbers[1::2]
    steps = [
        f"{_tenths(x - x_before)} {_tenths(y - y_before)}"
        for x, x_before, y, y_before in zip(xs[1:], xs, ys[1:], ys, strict=False)
    ]
    start = f"{found[0][0]}{_tenths(xs[0])} {_tenths(ys[0])}"
    return f"{start}l{' '.join(steps)}".replace(" -", "-")


def _tenths(count: int) -> str:
    text = f"{count / 10.0:.7g}"
    return text.replace("0.", ".", 1) if -10 < count < 10 else text


def _read_out(reading: Reading, *, page: Figure, phone: Figure) -> ReadOut | None:
    """Return what can be read off a panel, and where; None where its axes are no more."""
    found = [
        [ax for ax in figure.axes if ax.get_label() == READ_AXES and ax.get_xscale() == "log"]
        for figure in (page, phone)
    ]
    if not all(found):
        return None
    ax = found[0][0]
    boxes = []
    for axes, figure in zip(found, (page, phone), strict=True):
        left, top, width, height = box_px(axes[0])
        wide, high = size_px(figure)
        boxes.append((left / wide, (left + width) / wide, top / high, (top + height) / high))
    (left, right, top, bottom), phone_box = boxes
    range_hz = ax.get_xlim()
    points = read_points(reading.curves[0].frequency_hz, range_hz=range_hz)
    if not points.size or found[1][0].get_xlim() != range_hz:
        return None
    frequency_hz = reading.curves[0].frequency_hz[points].tolist()
    try:
        return ReadOut(
            label=reading.label,
            left=left,
            right=right,
            top=top,
            bottom=bottom,
            low_hz=range_hz[0],
            high_hz=range_hz[1],
            frequency_hz=tuple(round(hz, 2) for hz in frequency_hz),
            frequency_words=tuple(frequency_words(hz) for hz in frequency_hz),
            start=where_most(reading.curves[-1], points=points),
            lines=tuple(
                ReadLine(name=level_text(curve.level_db), words=curve_words(curve, points=points))
                for curve in reading.curves
            ),
            phone_box=phone_box,
        )
    except ValueError:  # a reviewer's change has left no place for a cursor
        return None


def png_bytes(svg: str, *, width_px: float, height_px: float) -> bytes:
    """Return a drawing as a PNG file, `SCALE` times its size in CSS pixels, on white.

    Typst draws it, which sets the PDF from the same vector files: what is seen is the same by
    construction.

    Raises
    ------
    RenderError
        Typst refused the drawing; the line carries its reason.
    """
    return pressed(
        _SOURCE,
        what="a figure",
        format="png",
        ppi=SCALE * POINTS_AN_INCH,
        sys_inputs={"width": f"{width_px:g}", "height": f"{height_px:g}", "drawing": svg},
    )
