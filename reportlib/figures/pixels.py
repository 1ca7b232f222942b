"""A drawing as pixels, made from its finished vector: what is seen is the same by construction.

Typst draws it, which sets the PDF from the same vector files: it needs a third of the time of a
second drawing, and no interpreter meanwhile. Its fonts are those that matplotlib ships, never the
machine's, so that the same drawing gives the same bytes.
"""

import functools
import shutil
from collections.abc import Callable
from typing import Any

from reportlib.errors import RenderError
from reportlib.folders import own_folder
from reportlib.fonts import FIGURE_FONTS, shipped_font

SCALE = 2.0
"""Pixels a CSS pixel."""

_POINTS_AN_INCH = 72.0
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
_BOTH_FONTS = """
#set page(width: auto, height: auto)
#set text(font: "DejaVu Sans")
a *a*
"""


def png_bytes(svg: str, *, width_px: float, height_px: float) -> bytes:
    """Return a drawing as a PNG file, `SCALE` times its size in CSS pixels, on white.

    Raises
    ------
    RenderError
        Typst refused the drawing; the line carries its reason.
    """
    import typst

    compiled: Callable[..., bytes] = typst.compile  # its own annotations allow no such call
    try:
        return compiled(
            _SOURCE.encode(),
            format="png",
            ppi=SCALE * _POINTS_AN_INCH,
            sys_inputs={"width": f"{width_px:g}", "height": f"{height_px:g}", "drawing": svg},
            font_paths=_fonts(),
        )
    except typst.TypstError as error:
        reason = " ".join(error.message.split())
        raise RenderError(f"a figure could not be drawn: typst says {reason!r}.") from error


@functools.cache
def _fonts() -> Any:
    """Look through the fonts once: that takes a fifth of a drawing's time.

    They are those that figures are measured in and no other: matplotlib's folder has a font of
    last resort too, which would draw a whole line as boxes for one letter that is missing. Typst
    reads a font when it is first needed, so that both are needed before their folder goes.
    """
    import typst

    with own_folder() as folder:
        for name in FIGURE_FONTS:
            shutil.copy(shipped_font(name), folder)
        fonts = typst.Fonts(font_paths=[str(folder)], include_system_fonts=False)
        compiled: Callable[..., bytes] = typst.compile
        compiled(_BOTH_FONTS.encode(), format="png", font_paths=fonts)
    return fonts
