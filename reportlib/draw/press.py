"""Typst with our fonts: it sets the PDF, and draws figures and the pictures to share as pixels."""

import functools
import shutil
from collections.abc import Callable
from typing import Any

from reportlib.errors import RenderError
from reportlib.session.files import shipped_fonts
from reportlib.session.lock import own_folder

_EVERY_FONT = """
#set page(width: auto, height: auto)
#for family in ("DejaVu Sans", "DejaVu Sans Mono", "DejaVu Sans Display") {
  text(font: family)[a *a* _a_ *_a_*]
}
"""


def pressed(source: str, *, what: str, machine_fonts: bool = False, **options: Any) -> bytes:
    """Return what typst makes of a source.

    Fonts are those in typst's wheel and those that matplotlib ships, never the machine's, so that
    the same source gives the same bytes.

    Parameters
    ----------
    source : what anyone typed is a string literal in it, or travels in ``sys_inputs``
    what : what could not be made, for the error's line
    machine_fonts : whether letters that those fonts lack are looked for on the machine
    options : of ``typst.compile``

    Raises
    ------
    RenderError
        Typst refused the source; the line carries its reason.
    """
    import typst

    compiled: Callable[..., bytes] = typst.compile  # its own annotations allow no such call
    fonts = _fonts(machine=machine_fonts)
    try:
        return compiled(source.encode(), font_paths=fonts, **options)
    except typst.TypstError as error:
        reason = " ".join(error.message.split())
        raise RenderError(f"{what} could not be made: typst says {reason!r}.") from error


@functools.cache
def _fonts(*, machine: bool) -> Any:
    """Look through the fonts once: that takes a fifth of a drawing's time.

    matplotlib's folder has a font of last resort too, which would draw a whole line as boxes for
    one letter that is missing. Typst reads a font when it is first needed, so that all of ours are
    needed before their folder goes.
    """
    import typst

    with own_folder() as folder:
        for font in shipped_fonts():
            shutil.copy(font, folder)
        fonts = typst.Fonts(font_paths=[folder], include_system_fonts=machine)
        compiled: Callable[..., bytes] = typst.compile
        compiled(_EVERY_FONT.encode(), format="png", font_paths=fonts)
    return fonts
