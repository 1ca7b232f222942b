"""Running the report notebook, and keeping what the reviewer wrote in it.

papermill is used by its API: its command line cannot shut a kernel down at once, saves the
notebook twice a cell, and formats braces in paths. The notebook is executed in memory and
written once, beside and renamed, when everything has succeeded.
"""

import ast
import contextlib
import copy
import os
import sys
import tempfile
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
from nbformat import NotebookNode

from reportlib import cells, files, history, memory, merge, resources
from reportlib.errors import NotebookError
from reportlib.parameters import ReportParameters

REPORT = "report.ipynb"
_TIMEOUT_S = 1800
_MOST_TRIES = 3
_STOPPED = "This cell of yours stopped: "


@dataclass(frozen=True, kw_only=True)
class Run:
    """What a run did to the reviewer's notebook.

    Attributes
    ----------
    notebook : path of the notebook
    kept_slots : narrative cells that were kept as the reviewer wrote them
    deleted_slots, joined_slots : narrative cells that the reviewer took out, or merged into
        another one
    own_code : how many code cells are the reviewer's own
    stopped : what stopped in them, one line each
    not_run : how many of them were not run, since this user never signed the notebook
    aside : where a damaged notebook was moved to, None where there was none
    """

    notebook: Path
    kept_slots: tuple[str, ...] = ()
    deleted_slots: tuple[str, ...] = ()
    joined_slots: tuple[str, ...] = ()
    own_code: int = 0
    stopped: tuple[str, ...] = ()
    not_run: int = 0
    aside: Path | None = None


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
    """Write a notebook beside, then rename; sign it for this user."""
    nbformat.validate(notebook)
    files.write_text_safely(path, nbformat.writes(notebook) + "\n")
    sign(notebook)


def run_report(
    session_folder: Path,
    *,
    parameters: ReportParameters,
    while_running: Callable[[], None] | None = None,
) -> Run:
    """Execute the report notebook on a session, with the reviewer's work in it.

    The reviewer's notebook is read first and merged into the template (`merge`); what runs and
    what is written is the merged one. Where it was saved meanwhile, in JupyterLab, the newer
    one is merged and run again. A damaged notebook is moved aside and the last kept one merged.

    Parameters
    ----------
    session_folder : where ``report.ipynb`` is written
    parameters : of the report; the session is named as seen from the notebook
    while_running : called once the kernel is starting, e.g. to import what comes after

    Raises
    ------
    NotebookError
        Parameters and notebook do not fit, or the notebook is saved again and again.
    ReportError
        A cell stopped with one of this library's errors; the line is that error's.
    """
    target = session_folder / REPORT
    template = read_notebook(resources.notebooks_folder() / "compression.ipynb")
    aside = None
    for _ in range(_MOST_TRIES):
        saved = _bytes_of(target)
        try:
            mine = None if saved is None else read_notebook(target)
        except NotebookError:
            aside = history.set_aside(target)
            saved, mine = None, _last_kept(session_folder)
        last = memory.last_written(session_folder)
        merged = merge.merge(template, mine, last=last, trusted=mine is None or is_trusted(mine))
        fresh = execute(
            merged.notebook,
            parameters=parameters,
            folder=session_folder,
            own_code=merged.own_code,
            not_run=merged.not_run,
            while_running=while_running,
        )
        kept = memory.read_results(session_folder)
        stopped = _what_stopped(fresh)
        _fill(fresh, kept=kept, merged=merged)
        if _bytes_of(target) == saved:
            break
        while_running = None
    else:
        raise NotebookError(
            f"{target} was saved again during each of {_MOST_TRIES} runs. Stop saving it for a "
            "few seconds and run 'upheld report' again; nothing was overwritten."
        )
    if saved is not None:
        history.keep(session_folder, target, why="as it was before a run")
    write_notebook(target, fresh)
    history.keep(session_folder, target, why="as a run left it")
    # A draft counts as the last one only for cells that hold it.
    memory.keep_written(session_folder, kept.drafts, names=merge.names_of(fresh))
    return Run(
        notebook=target,
        kept_slots=merged.kept,
        deleted_slots=merged.deleted,
        joined_slots=merged.joined,
        own_code=len(merged.own_code),
        stopped=stopped,
        not_run=len(merged.not_run),
        aside=aside,
    )


def _fill(fresh: NotebookNode, *, kept: memory.Kept, merged: merge.Merged) -> None:
    """Put the new drafts where nobody edited, and write down what was put there."""
    cells.fill(fresh, kept.drafts, kept=merged.kept)
    empty = {name for name, text in kept.drafts.items() if not text.strip()} - set(merged.kept)
    fresh.cells = [cell for cell in fresh.cells if cells.slot(cell) not in empty]
    names = merge.names_of(fresh) - empty
    fresh.metadata[cells.KEY] = {**kept.about, merge.NAMES: sorted(names)}
    merge.sign_cells(fresh, drafts=kept.drafts)


def _bytes_of(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NotebookError(
            f"{path} cannot be read ({reason}). Nothing was overwritten."
        ) from error


def _last_kept(session_folder: Path) -> NotebookNode | None:
    """Return the newest kept notebook that can still be read."""
    for version in reversed(history.versions(session_folder)):
        try:
            return read_notebook(version.path)
        except NotebookError:
            continue
    return None


def is_trusted(notebook: NotebookNode) -> bool:
    """Whether this user has signed a notebook: by `upheld report`, or by running it in Jupyter.

    Jupyter's own signatures: a notebook that came with a stranger's folder has none here.
    """
    try:
        return bool(_notary().check_signature(notebook))
    except Exception:  # a damaged or missing database signs nothing
        return False


def sign(notebook: NotebookNode) -> None:
    """Sign a notebook for this user, so that Jupyter trusts it; where that can't be, leave it."""
    with contextlib.suppress(Exception):
        _notary().sign(notebook)


def _notary() -> Any:
    from nbformat.sign import NotebookNotary

    return NotebookNotary()


def execute(
    notebook: NotebookNode,
    *,
    parameters: ReportParameters,
    folder: Path,
    own_code: Collection[str] = (),
    not_run: Collection[str] = (),
    while_running: Callable[[], None] | None = None,
) -> NotebookNode:
    """Run a notebook with `folder` as its working directory; nothing is written.

    Parameters
    ----------
    notebook : not changed
    own_code : ids of the reviewer's own code cells, which may stop without stopping the report
    not_run : ids of those among them that keep their old output
    """
    import papermill

    notebook = copy.deepcopy(notebook)
    for cell in notebook.cells:
        wanted = [merge.MAY_FAIL] * (cell["id"] in own_code) + [merge.NOT_RUN] * (
            cell["id"] in not_run
        )
        if wanted:
            cell.metadata["tags"] = [*cell.metadata.get("tags", []), *wanted]
    given = parameters.model_dump(mode="json")
    declared = _declared_parameters(notebook)
    if given.keys() != declared:
        raise NotebookError(
            f"{REPORT}: the cell tagged 'parameters' declares {sorted(declared)}, but this "
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
                engine_name=_engine(),
                kernel_manager_class=_kernel_manager(Path(sockets)),
                shutdown_kernel="immediate",  # asking politely stalls for seconds now and then
                execution_timeout=_TIMEOUT_S,
            )
        except papermill.PapermillExecutionError as error:
            raise _as_report_error(error, folder=folder) from error
    return _tidied(executed, own_code=own_code)


def _engine() -> str:
    """Name of the engine that lets a reviewer's own cell stop: papermill itself never does."""
    from papermill.engines import NBClientEngine, papermill_engines

    class Lenient(NBClientEngine):  # type: ignore[misc]
        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **options: Any) -> None:
            super().execute_managed_notebook(nb_man, kernel_name, **options)
            for cell in nb_man.nb.cells:
                if merge.MAY_FAIL in cell.metadata.get("tags", []):
                    _let_stop(cell)

    papermill_engines.register("upheld", Lenient)
    return "upheld"


def _let_stop(cell: NotebookNode) -> None:
    """Turn the error of a reviewer's own cell into words under it."""
    cell.metadata.get("papermill", {}).pop("exception", None)
    cell.outputs = [
        nbformat.v4.new_output(
            "stream", name="stderr", text=f"{_STOPPED}{output.ename}: {output.evalue}\n"
        )
        if output.output_type == "error"
        else output
        for output in cell.get("outputs", [])
    ]


def _what_stopped(notebook: NotebookNode) -> tuple[str, ...]:
    """Return what stopped in the reviewer's own cells, one line each."""
    return tuple(
        " ".join(output.text.removeprefix(_STOPPED).split())
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
        if output.output_type == "stream" and output.text.startswith(_STOPPED)
    )


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


def _tidied(notebook: NotebookNode, *, own_code: Collection[str] = ()) -> NotebookNode:
    """Take out what differs from run to run: timestamps, random ids, machine paths."""
    tidy = copy.deepcopy(notebook)
    tidy.metadata.pop("papermill", None)
    tidy.metadata["kernelspec"] = {
        "display_name": "Python 3",
        "language": "python",
        "name": "python3",
    }
    tidy.metadata.pop("language_info", None)
    for cell in tidy.cells:
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if cell["id"] in own_code:
            ours = (merge.MAY_FAIL, merge.NOT_RUN)
            cell.metadata["tags"] = [tag for tag in cell.metadata["tags"] if tag not in ours]
        if not cell.metadata.get("tags"):
            cell.metadata.pop("tags", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell["id"] = "injected-parameters"
            cell.source = "\n".join(
                line for line in cell.source.splitlines() if not line.startswith("# Parameters")
            )
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
