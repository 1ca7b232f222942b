"""Where the templates and the notebooks lie: beside the package, or inside it.

In a checkout they stand at the top level, where people edit them; a wheel carries them as
``reportlib/_templates`` and ``reportlib/_notebooks``. The wheel's own place is looked at
first, so that a stranger's ``site-packages/templates`` is never taken for ours.
"""

from pathlib import Path

from reportlib.errors import RenderError


def templates_folder() -> Path:
    """Return the folder that holds ``report/``, ``section/``, ``pdf/`` and ``narrative/``.

    Raises
    ------
    RenderError
        The installation carries no templates.

    Examples
    --------
    >>> (templates_folder() / "report" / "conf.json").is_file()
    True
    """
    return _folder("templates")


def notebooks_folder() -> Path:
    """Return the folder that holds the report notebooks, stored without outputs.

    Raises
    ------
    RenderError
        The installation carries no notebooks.
    """
    return _folder("notebooks")


def _folder(name: str) -> Path:
    package = Path(__file__).resolve().parent
    for folder in (package / f"_{name}", package.parent / name):
        if folder.is_dir():
            return folder
    raise RenderError(
        f"this installation of upheld carries no {name} (looked in {package / f'_{name}'} and "
        f"{package.parent / name}). Install it again: pip install --force-reinstall upheld"
    )
