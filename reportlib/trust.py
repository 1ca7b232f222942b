"""Whether a notebook is this user's own, or may be a stranger's: by Jupyter's signatures.

They lie in the user's own folders, never beside the notebook. One is of a whole notebook, and
Jupyter writes it when the user has run or trusted all of it.
"""

import contextlib
from typing import Any

from nbformat import NotebookNode


def is_trusted(notebook: NotebookNode) -> bool:
    """Whether this user has signed a notebook: by `upheld report`, or by running it in Jupyter.

    Jupyter's own signatures: a notebook that came with a stranger's folder has none here. One that
    displays nothing is signed by Jupyter on any saving, which says nothing.
    """
    displays = any(
        output["output_type"] in ("display_data", "execute_result")
        for cell in notebook.cells
        for output in cell.get("outputs", ())
    )
    try:
        return displays and bool(_notary().check_signature(notebook))
    except Exception:  # a damaged or missing database signs nothing
        return False


def sign(notebook: NotebookNode) -> None:
    """Sign a notebook for this user, so that Jupyter trusts it; where that can't be, leave it."""
    with contextlib.suppress(Exception):
        _notary().sign(notebook)


def _notary() -> Any:
    from nbformat.sign import NotebookNotary

    return NotebookNotary()
