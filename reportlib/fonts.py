"""The fonts that matplotlib ships, found without importing it.

Importing it takes a third of a second. Its font of last resort stays out of documents: it has a
box for every letter, and would hide that one is missing.
"""

import functools
import importlib.util
from pathlib import Path

from reportlib.errors import RenderError

FIGURE_FONTS = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
"""Those that figures are measured and drawn in: regular, bold."""


def shipped_fonts() -> list[Path]:
    """Return the font files.

    Raises
    ------
    RenderError
        The installation is damaged.
    """
    return sorted(Path(_fonts_folder()).glob("DejaVuSans*.ttf"))


@functools.cache
def shipped_font(name: str) -> str:
    """Return the path of one of them, e.g. ``DejaVuSans.ttf``."""
    return str(Path(_fonts_folder()) / name)


@functools.cache
def _fonts_folder() -> str:
    package = importlib.util.find_spec("matplotlib")
    if package is None or package.origin is None:
        raise RenderError("matplotlib is not installed. Install upheld again.")
    return str(Path(package.origin).parent / "mpl-data" / "fonts" / "ttf")
