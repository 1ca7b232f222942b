"""Publishing a notebook: what is written down after it, to tell later what changed since."""

import datetime
from pathlib import Path

from reportlib import __version__, cells, corrections, memory
from reportlib.kinds import REPORT, Kind
from reportlib.notebook import Saved, read_saved


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
