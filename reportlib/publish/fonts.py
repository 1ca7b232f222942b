"""The fonts that matplotlib ships and draws with, found without importing it.

Importing it takes a third of a second. Its font of last resort stays out: it has a box for
every letter, and would hide that one is missing.
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
    return sorted(_folder().glob("DejaVuSans*.ttf"))


@functools.cache
def shipped_font(name: str) -> str:
    """Return the path of one of them, e.g. ``DejaVuSans.ttf``."""
    return str(_folder() / name)


def _folder() -> Path:
    package = importlib.util.find_spec("matplotlib")
    if package is None or package.origin is None:
        raise RenderError("matplotlib is not installed. Install upheld again.")
    return Path(package.origin).parent / "mpl-data" / "fonts" / "ttf"
