"""Running the report notebook, and keeping what the reviewer wrote in it.

papermill is used by its API: its command line cannot shut a kernel down at once, saves the
notebook twice a cell, and formats braces in paths. The notebook is executed in memory and
written once, beside and renamed, when everything has succeeded.
"""

import ast
import copy
import os
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
from nbformat import NotebookNode

from reportlib import cells, files, memory, resources
from reportlib.errors import NotebookError
from reportlib.parameters import ReportParameters

REPORT = "report.ipynb"
_TIMEOUT_S = 1800


@dataclass(frozen=True, kw_only=True)
class Run:
    """What a run did to the reviewer's notebook.

    Attributes
    ----------
    notebook : path of the notebook
    kept_slots : narrative cells that were kept as the reviewer wrote them
    """

    notebook: Path
    kept_slots: tuple[str, ...]


def read_notebook(path: Path) -> NotebookNode:
    """Read a notebook of any version 4 format.

    Raises
    ------
    NotebookError
        The file cannot be read, or is no notebook.
    """
    try:
        notebook: NotebookNode = nbformat.reads(path.read_text("utf-8"), as_version=4)
        nbformat.validate(notebook)
    except FileNotFoundError as error:
        raise NotebookError(
            f"{path} is not there; make it with 'upheld report {path.parent}'."
        ) from error
    except (OSError, UnicodeDecodeError, nbformat.ValidationError, ValueError, KeyError) as error:
        raise NotebookError(
            f"{path} cannot be read as a notebook ({type(error).__name__}). Repair it, or move it "
            "away and run 'upheld report' again; earlier versions lie in .upheld/history. "
            "Nothing was overwritten."
        ) from error
    return notebook


def write_notebook(path: Path, notebook: NotebookNode) -> None:
    """Write a notebook beside, then rename."""
    nbformat.validate(notebook)
    files.write_text_safely(path, nbformat.writes(notebook) + "\n")


def run_report(
    session_folder: Path,
    *,
    parameters: ReportParameters,
    while_running: Callable[[], None] | None = None,
) -> Run:
    """Execute the report notebook on a session and carry the reviewer's edits on.

    Parameters
    ----------
    session_folder : where ``report.ipynb`` is written
    parameters : of the report; the session is named as seen from the notebook
    while_running : called once the kernel is starting, e.g. to import what comes after

    Raises
    ------
    NotebookError
        The reviewer's notebook cannot be read, or parameters and notebook do not fit.
    ReportError
        A cell stopped with one of this library's errors; the line is that error's.
    """
    target = session_folder / REPORT
    mine = read_notebook(target) if target.exists() else None
    fresh = execute(
        resources.notebooks_folder() / "compression.ipynb",
        parameters=parameters,
        folder=session_folder,
        while_running=while_running,
    )
    kept = memory.read_results(session_folder)
    cells.fill(fresh, kept.drafts)
    fresh.metadata[cells.KEY] = kept.about
    kept_slots: tuple[str, ...] = ()
    if mine is not None:
        kept_slots = cells.carry_on(fresh, mine, last_drafts=memory.last_drafts(session_folder))
        memory.keep_notebook(session_folder, target)
    write_notebook(target, fresh)
    # A draft counts as the last one only for cells that hold it.
    memory.keep_drafts(session_folder, kept.drafts)
    return Run(notebook=target, kept_slots=kept_slots)


def execute(
    template: Path,
    *,
    parameters: ReportParameters,
    folder: Path,
    while_running: Callable[[], None] | None = None,
) -> NotebookNode:
    """Run a template notebook with `folder` as its working directory; nothing is written.

    When a cell stops for a reason that is not one of this library's errors, the notebook as
    far as it came is saved as ``.upheld/stopped.ipynb``, to be opened.
    """
    import papermill

    notebook = read_notebook(template)
    given = parameters.model_dump(mode="json")
    declared = _declared_parameters(notebook)
    if given.keys() != declared:
        raise NotebookError(
            f"{template.name}: the cell tagged 'parameters' declares {sorted(declared)}, but this "
            f"version passes {sorted(given)}. Make the cell declare exactly these names."
        )
    if while_running is not None:
        while_running()
    with tempfile.TemporaryDirectory(prefix="upheld-") as sockets:
        try:
            executed = papermill.execute_notebook(
                notebook,
                None,
                parameters=given,
                progress_bar=False,
                request_save_on_cell_execute=False,
                cwd=str(folder),
                kernel_name="python3",
                kernel_manager_class=_kernel_manager(Path(sockets)),
                shutdown_kernel="immediate",  # asking politely stalls for seconds now and then
                execution_timeout=_TIMEOUT_S,
            )
        except papermill.PapermillExecutionError as error:
            raise _as_report_error(error, folder=folder) from error
    return _tidied(executed)


def _kernel_manager(sockets: Path) -> type:
    """Return a manager for a kernel of this very Python, whatever else Jupyter knows of.

    Its sockets lie in a folder of their own: no open port, and none beside the notebook.
    """
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager

    class ThisPython(AsyncKernelManager):
        def __init__(self, **options: Any) -> None:
            options["connection_file"] = str(sockets / "kernel.json")
            if os.name == "posix":
                options |= {"transport": "ipc", "ip": str(sockets / "kernel")}
            super().__init__(**options)

        @property
        def kernel_spec(self) -> KernelSpec:
            return KernelSpec(
                argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
                display_name="Python 3",
                language="python",
            )

    return ThisPython


def _declared_parameters(notebook: NotebookNode) -> set[str]:
    """Names that the cell tagged ``parameters`` assigns."""
    names: set[str] = set()
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            for node in ast.parse(cell.source).body:
                if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                    names.add(node.target.id)
    return names


def _as_report_error(error: Any, *, folder: Path) -> Exception:
    """Turn a stopped cell into the library's error that stopped it, where it was one."""
    from reportlib import errors

    kind = getattr(errors, str(error.ename), None)
    if isinstance(kind, type) and issubclass(kind, errors.ReportError):
        found: Exception = kind(str(error.evalue))
        return found
    return NotebookError(
        f"{folder / REPORT}: cell [{error.exec_count}] stopped with {error.ename}: "
        f"{str(error.evalue).splitlines()[0] if error.evalue else ''} Nothing was overwritten. "
        "This is a fault of upheld; please report it with the session's session.toml."
    )


def _tidied(notebook: NotebookNode) -> NotebookNode:
    """Take out what differs from run to run: timestamps, random ids, machine paths."""
    tidy = copy.deepcopy(notebook)
    tidy.metadata.pop("papermill", None)
    tidy.metadata["kernelspec"] = {
        "display_name": "Python 3",
        "language": "python",
        "name": "python3",
    }
    tidy.metadata.pop("language_info", None)
    for index, cell in enumerate(tidy.cells):
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if not cell.metadata.get("tags"):
            cell.metadata.pop("tags", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell["id"] = "injected-parameters"
            cell.source = "\n".join(
                line for line in cell.source.splitlines() if not line.startswith("# Parameters")
            )
        elif not cells.cell_name(cell):
            cell["id"] = f"cell-{index}"
    return tidy


def for_readers(notebook: NotebookNode, *, about: Mapping[str, Any]) -> NotebookNode:
    """Return a copy whose opening cell's first paragraph has become the page's headline."""
    shown = copy.deepcopy(notebook)
    verdict = ""
    for cell in shown.cells:
        if cells.slot(cell) == "in-short":
            verdict, cell.source = cells.headline(cell.source)
            break
    shown.metadata[cells.KEY] = {**about, "verdict": verdict}
    return shown
