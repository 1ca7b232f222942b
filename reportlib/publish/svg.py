"""A drawing made harmless and fit to stand beside others in one page.

A notebook from elsewhere may carry anything, and plotting libraries name their parts alike in
every figure (``axes_1``) and carry style sheets that would rule the whole page. What comes out of
here is rebuilt element by element from a short list of what a plot needs: no script, no event
handler, no style sheet, no link, nothing loaded from anywhere.
"""

import functools
import html
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass

from reportlib.errors import RenderError

_PREFIX = "\ue000"  # stands for the prefix of ids until a page gives one; private use

_ELEMENTS_LIST = (
    "svg g defs path use text tspan clipPath rect circle ellipse line polyline polygon image "
    "linearGradient radialGradient stop pattern symbol mask"
)
_PAINT_LIST = (
    "clip-path clip-rule color display dominant-baseline fill fill-opacity fill-rule font "
    "font-family font-size font-stretch font-style font-variant font-weight image-rendering "
    "letter-spacing mask mix-blend-mode opacity paint-order shape-rendering stop-color "
    "stop-opacity stroke stroke-dasharray stroke-dashoffset stroke-linecap stroke-linejoin "
    "stroke-miterlimit stroke-opacity stroke-width text-anchor text-decoration vector-effect "
    "visibility white-space"
)
_GEOMETRY_LIST = (
    "clipPathUnits cx cy d dx dy fx fy gradientTransform gradientUnits height maskUnits offset "
    "patternContentUnits patternTransform patternUnits points preserveAspectRatio r rotate rx ry "
    "spreadMethod textLength transform viewBox width x x1 x2 y y1 y2"
)
_ELEMENTS = frozenset(_ELEMENTS_LIST.split())
_PAINT = frozenset(_PAINT_LIST.split())
_KEPT = _PAINT.union(_GEOMETRY_LIST.split())
_PLAIN_VALUE = re.compile(r"[\w\s.,%#'\"()+\-/]*")
_FUNCTION = re.compile(r"([a-zA-Z-]*)\(")
_FUNCTIONS = frozenset(("rgb", "rgba", "url", "matrix", "translate", "rotate", "scale", "skewX"))
_OWN_URL = re.compile(r"url\(\s*['\"]?#([^'\"()\s]+)['\"]?\s*\)")
_PICTURE_DATA = re.compile(r"data:image/(?:png|jpeg);base64,[A-Za-z0-9+/=\s]*")
_DEEPEST = 60
_NUMBER = r"(?:\d+\.?\d*|\.\d+)"
_LEAST, _MOST = 1.0, 1e5
"""Of a drawing's sides, in pixels or in its own units: no plot is smaller or larger."""


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """A rebuilt SVG whose ids still wait for their prefix."""

    body: str
    view_box: str

    def inline(self, *, prefix: str, alt: str) -> str:
        """Return an ``<svg>`` element for a page; every id in it starts with `prefix`."""
        return (
            f'<svg viewBox="{self.view_box}" role="img" aria-label="{html.escape(alt)}" '
            f'style="stroke-linejoin:round;stroke-linecap:butt">'
            f"{self.body.replace(_PREFIX, html.escape(prefix))}</svg>"
        )

    def standalone(self, *, width_px: float, height_px: float) -> bytes:
        """Return an SVG file of the given size in CSS pixels."""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{self.view_box}" '
            f'width="{width_px:g}" height="{height_px:g}" '
            f'style="stroke-linejoin:round;stroke-linecap:butt">'
            f"{self.body.replace(_PREFIX, '')}</svg>"
        ).encode()


def read_drawing(svg: str, *, name: str) -> Drawing:
    """Rebuild `svg` from what a plot needs and nothing else.

    Parameters
    ----------
    svg : text of an SVG file
    name : name of the picture, for messages

    Raises
    ------
    RenderError
        It is not XML, declares entities, or has no size.

    Examples
    --------
    >>> drawing = read_drawing(
    ...     '<svg viewBox="0 0 9 9"><g id="a" onclick="x()"><script>x()</script></g></svg>',
    ...     name="ladder",
    ... )
    >>> drawing.inline(prefix="ladder-", alt="A ladder.").partition("butt")[2]
    '"><g id="ladder-a"></g></svg>'
    """
    if "<!ENTITY" in svg:
        raise RenderError(f"picture {name!r}: its SVG declares entities, which no plot needs.")
    try:
        root = ET.fromstring(svg.replace(_PREFIX, ""))
    except (ET.ParseError, ValueError) as error:
        raise RenderError(
            f"picture {name!r}: its SVG cannot be read ({error}). Run its notebook cell again."
        ) from error
    view_box = root.get("viewBox") or f"0 0 {_number(root, 'width')} {_number(root, 'height')}"
    if not _has_size(view_box):
        raise RenderError(f"picture {name!r}: its SVG has no size. Run its notebook cell again.")
    parts: list[str] = []
    for child in root:
        _write(child, parts, depth=1)
    return Drawing(body="".join(parts), view_box=view_box.strip())


def fits_a_page(*lengths: float) -> bool:
    """Whether a drawing's lengths are such that anything can be divided by them."""
    return all(_LEAST <= length <= _MOST for length in lengths)


def _has_size(view_box: str) -> bool:
    numbers = re.split(r"[\s,]+", view_box.strip())
    if len(numbers) != 4 or not all(re.fullmatch(rf"-?{_NUMBER}", one) for one in numbers):
        return False
    left, top, width, height = map(float, numbers)
    return max(abs(left), abs(top)) <= _MOST and fits_a_page(width, height)


def _number(root: ET.Element, attribute: str) -> str:
    match = re.match(_NUMBER, root.get(attribute, ""))
    return match[0] if match else "none"


def _write(element: ET.Element, parts: list[str], *, depth: int) -> None:
    tag = _local(element.tag)
    if tag not in _ELEMENTS or depth > _DEEPEST:
        return
    parts.append(f"<{tag}")
    for key, value in element.attrib.items():
        name = _local(key)
        kept = _kept_value(name, value, tag=tag)
        if kept is not None:
            parts.append(f' {name}="{html.escape(kept)}"')
    parts.append(">")
    is_text = tag in ("text", "tspan")
    if is_text and element.text:
        parts.append(html.escape(element.text, quote=False))
    for child in element:
        _write(child, parts, depth=depth + 1)
        if is_text and child.tail:
            parts.append(html.escape(child.tail, quote=False))
    parts.append(f"</{tag}>")


def _local(name: object) -> str:
    """Strip the namespace; comments and processing instructions have no name at all."""
    return name.rpartition("}")[2] if isinstance(name, str) else ""


def _kept_value(name: str, value: str, *, tag: str) -> str | None:
    if name == "id":
        return _PREFIX + "".join(value.split())
    if name == "href":
        if value.startswith("#"):
            return f"#{_PREFIX}{value[1:]}"
        return value if tag == "image" and _PICTURE_DATA.fullmatch(value) else None
    if name == "style":
        return _kept_style(value)
    if name in _KEPT:
        return _harmless(value)
    return None


@functools.lru_cache(maxsize=1024)
def _kept_style(style: str) -> str | None:
    """A drawing has a few dozen styles, each many times."""
    kept = []
    for declaration in style.split(";"):
        name, _, value = declaration.partition(":")
        name, harmless = name.strip(), _harmless(value.strip())
        if name in _PAINT and harmless:
            kept.append(f"{name}:{harmless}")
    return ";".join(kept) or None


def _harmless(value: str) -> str | None:
    """Return `value` with its ids marked, or None where it could do more than paint."""
    if not _PLAIN_VALUE.fullmatch(value):
        return None
    if "(" not in value:
        return value
    if not _FUNCTIONS.issuperset(_FUNCTION.findall(value)):
        return None
    if value.count("url(") != len(_OWN_URL.findall(value)):
        return None
    return _OWN_URL.sub(rf"url(#{_PREFIX}\1)", value)
