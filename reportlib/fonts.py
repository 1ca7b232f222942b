"""The fonts that matplotlib ships, found without importing it.

Importing it takes a third of a second. Its font of last resort stays out of documents: it has a
box for every letter, and would hide that one is missing.
"""

import functools
import importlib.util
from pathlib import Path

from reportlib.errors import RenderError


def shipped_fonts() -> list[Path]:
    """Return the font files.

    Raises
    ------
    RenderError
        The installation is damaged.
    """
    return sorted(Path(fonts_folder()).glob("DejaVuSans*.ttf"))


@functools.cache
def shipped_font(name: str) -> str:
    """Return the path of one of them, e.g. ``DejaVuSans.ttf``."""
    return str(Path(fonts_folder()) / name)


@functools.cache
def fonts_folder() -> str:
    """Return the folder that they lie in; see `shipped_fonts`."""
    package = importlib.util.find_spec("matplotlib")
    if package is None or package.origin is None:
        raise RenderError("matplotlib is not installed. Install upheld again.")
    return str(Path(package.origin).parent / "mpl-data" / "fonts" / "ttf")
