"""The reviewer's loop without a kernel: what `upheld report` does to the notebook, and no more."""

import json
from contextlib import ExitStack
from pathlib import Path
from unittest.mock import patch

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from reportlib.publish import notebook, results
from reportlib.publish.kinds import REPORT
from reportlib.session.parameters import ReportParameters

SLOTS = ("in-short", "turned-up", "care")
ASKED = ReportParameters(session=".")


def template():
    cells = [new_code_cell("x = 1", metadata={"upheld": {"cell": "read", "needed": True}})]
    for name in SLOTS:
        about = {"upheld": {"cell": name, "slot": name}, "tags": ["narrative"]}
        text = f"## {name}\n\n*Drafted when the report runs.*"
        cells.append(new_markdown_cell(text, metadata=about))
        call = f"figures.{name.replace('-', '_')}(report)"
        cells.append(new_code_cell(call, metadata={"upheld": {"cell": f"{name}-figure"}}))
    about = {"upheld": {"cell": "about"}, "tags": ["notebook-only"]}
    cells.append(new_markdown_cell("# What this is\n\nIts script.", metadata=about))
    made = new_notebook(cells=cells)
    for cell in made.cells:
        cell["id"] = cell.metadata.upheld.cell
    return made


def drafts(number):
    """Drafts of the number-th run: other numbers, the same words."""
    return {
        name: f"## {name}\n\nIt is {number} dB short, says the tool.\n\nMore of {name}."
        for name in SLOTS
    }


def judged(number):
    """Grades of the number-th run; they change every third time."""
    return {"short.mids.94": ("holds", "slips", "falls short")[number // 3 % 3]}


def run(
    folder, number, *, kind=REPORT, judged=judged, facts=(), drafts=drafts, signing=False,
    bring_back=(), name="Trivet 6",
):  # fmt: skip
    """Run the report on `folder` as `notebook.run_report` does, with the kernel left out.

    Without `signing` every notebook is the user's own.
    """
    kept = results.Kept(drafts=drafts(number), about={"format": 1, "title": name}, data={})
    with ExitStack() as stack:
        stack.enter_context(patch.object(notebook, "execute", _executed))
        if not signing:
            stack.enter_context(patch.object(notebook, "sign", lambda _: None))
            stack.enter_context(patch.object(notebook, "is_trusted", lambda _: True))
        stack.enter_context(patch.object(results, "read_results", lambda _, **__: kept))
        stack.enter_context(patch.object(notebook, "_template", lambda _: template()))
        told = results.Told(
            judged=judged(number), facts={fact.name: fact for fact in facts}, digests={}
        )
        stack.enter_context(patch.object(results, "read_told", lambda _, **__: told))
        return notebook.run_report(folder, parameters=ASKED, kind=kind, bring_back=bring_back)


def _executed(merged, *, not_run, **_):
    """Every call shows something, as far as it may run."""
    for cell in merged.cells:
        if cell.cell_type == "code" and cell["id"] not in not_run:
            cell.outputs = [new_output("display_data", data={"text/plain": "a drawing"})]
    return merged


def saved(folder, *, kind=REPORT):
    """Return the notebook on disk."""
    return nbformat.read(folder / kind.notebook, as_version=4)


def save(folder, made, *, kind=REPORT):
    """Save a notebook as Jupyter does: in place."""
    nbformat.validate(made)
    (folder / kind.notebook).write_text(nbformat.writes(made), encoding="utf-8")


def words_kept(folder: Path) -> str:
    """Return all that the session folder still holds of notebooks, as one text."""
    found = [*folder.glob("report*.ipynb"), *(folder / ".upheld/history").glob("*.ipynb")]
    return "\n".join(path.read_text("utf-8", errors="replace") for path in found)


def memory_is_whole(folder):
    """Whether every file of the tool's memory that is there can be read."""
    for path in (folder / ".upheld").rglob("*.json"):
        json.loads(path.read_text("utf-8"))
    return True
