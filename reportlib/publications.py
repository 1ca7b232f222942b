"""Publishing a notebook: what must be in order before it, and what is written down after it."""

import datetime
from pathlib import Path

from reportlib import __version__, captions, cells, corrections, memory, read_again
from reportlib.errors import NotebookError
from reportlib.kinds import REPORT, Kind
from reportlib.notebook import Saved, read_saved


def require_ready(
    session_folder: Path, *, as_it_is: bool, kind: Kind = REPORT, saved: Saved | None = None
) -> None:
    """Refuse to publish words to be read again, or captions not shown yet, unless told to.

    Parameters
    ----------
    saved : the session's notebook, where it has been read already

    Raises
    ------
    NotebookError
        The notebook cannot be read, or a cell in it is marked or was not run since its caption
        was written; the line names them.
    """
    path = session_folder / kind.notebook
    saved = saved or read_saved(path)
    marked = read_again.unread(saved.notebook)
    if marked and not as_it_is:
        named = "; ".join(f"{slot} ({read_again.in_brief(why)})" for slot, why in marked.items())
        raise NotebookError(
            f"{path}: read again what you wrote in {named}. Edit it, or delete "
            "the note behind it, then publish; or publish with --as-it-is."
        )
    behind = captions.not_shown(saved.notebook)
    if behind and not as_it_is:
        raise NotebookError(
            f"{path}: the caption in the code of {', '.join(behind)} is not the one shown there. "
            f"Choose Run All Cells in Jupyter and save, or run '{kind.command(session_folder)}', "
            "then publish; or publish with --as-it-is."
        )


def record_publication(
    session_folder: Path, *, kind: Kind = REPORT, saved: Saved | None = None
) -> None:
    """Write down what has just been published: grades, quoted numbers, words, captures.

    Parameters
    ----------
    saved : the notebook that was published, where it has been read already

    Raises
    ------
    NotebookError
        The notebook or the last run's results cannot be read.
    RenderError
        It could not be written.
    """
    notebook = (saved or read_saved(session_folder / kind.notebook)).notebook
    texts: dict[str, str] = {}
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            name = cells.slot(cell) or "own"
            texts[name] = f"{texts[name]}\n\n{cell.source}" if name in texts else cell.source
    told = memory.read_told(session_folder, kind=kind)
    corrections.keep_published(
        session_folder,
        corrections.record(
            when=datetime.datetime.now(),
            tool_version=__version__,
            digests=told.digests,
            narrative=texts,
            judged=told.judged,
            numbers=corrections.written_numbers(
                told.facts, names=corrections.quoted_names(list(texts.values()))
            ),
        ),
    )
