"""Running a notebook in a kernel of its own, with papermill; and whether it may be a stranger's.

papermill is used by its API: its command line cannot shut a kernel down at once, saves the
notebook twice a cell, and formats braces in paths. The notebook is executed in memory.

Whose a notebook is, Jupyter's signatures tell:

They lie in the user's own folders, never beside the notebook. One is of a whole notebook, and
Jupyter writes it when the user has run or trusted all of it.
"""

import ast
import contextlib
import copy
import logging
from collections.abc import Callable, Collection
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import nbformat
from nbformat import NotebookNode

from reportlib.errors import NotebookError
from reportlib.publish import kernels, merge
from reportlib.publish.kinds import REPORT, Kind
from reportlib.session import lock
from reportlib.session.parameters import Parameters

_TIMEOUT_S = 1800
_UNHEARD = logging.NullHandler()
_STOPPED = "This cell of yours stopped: "
_LEFT_OUT = (
    "This cell was not run. Run all cells in Jupyter, or trust the notebook, to make it yours."
)


def execute(
    notebook: NotebookNode,
    *,
    parameters: Parameters,
    folder: Path,
    kind: Kind = REPORT,
    own_code: Collection[str] = (),
    not_run: Collection[str] = (),
    while_running: Callable[[], None] | None = None,
    at_cell: Callable[[str], None] = lambda _: None,
    kernel: type | None = None,
) -> NotebookNode:
    """Run a notebook with `folder` as its working directory; nothing is written.

    Parameters
    ----------
    notebook : not changed
    own_code : ids of the reviewer's own code cells, which may stop without stopping the report
    not_run : ids of those among them that keep their old output
    at_cell : called with the name of each of the template's cells as the run comes to it
    kernel : manager class of a kernel that is running already in `folder`

    Raises
    ------
    NotebookError
        Parameters and notebook do not fit, or the kernel ended before the notebook did.
    ReportError
        A cell stopped with one of this library's errors.
    SessionError
        The folder was deleted, moved or replaced meanwhile.
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
    declared = _declared_parameters(notebook, kind=kind)
    if not declared <= given.keys():  # a cell made before may lack one: it is put in all the same
        raise NotebookError(
            f"{kind.notebook}: the cell tagged 'parameters' declares {sorted(declared)}, but this "
            f"version passes {sorted(given)}. Make the cell declare no others."
        )
    if while_running is not None:
        while_running()
    logging.getLogger("papermill").addHandler(_UNHEARD)  # what it says is said by the error
    with (
        lock.same_folder(folder),
        nullcontext(kernel) if kernel else kernels.started(folder) as manager,
    ):
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
                kernel_manager_class=manager,
                shutdown_kernel="immediate",  # asking politely stalls for seconds now and then
                execution_timeout=_TIMEOUT_S,
                at_cell=at_cell,
            )
        except papermill.PapermillExecutionError as error:
            raise _as_report_error(error, path=folder / kind.notebook) from error
        except (RuntimeError, TimeoutError) as error:
            if "kernel" not in str(error).lower() and not isinstance(error, TimeoutError):
                raise
            raise NotebookError(
                f"{folder / kind.notebook}: the kernel that ran it ended or did not answer "
                f"({' '.join(str(error).split())[:120]}). Nothing was overwritten; where memory "
                f"was short, close other programs. Then run '{kind.verb}' again."
            ) from error
    for cell in executed.cells:
        if cell["id"] in not_run:
            _say_left_out(cell)
    return _tidied(executed, own_code=own_code)


def _say_left_out(cell: NotebookNode) -> None:
    """Say under a cell that it was not run.

    As a display: Jupyter signs a notebook on saving as soon as every cell that displays
    something has been run or trusted there, and takes one without for harmless.
    """
    said = nbformat.v4.new_output("display_data", data={"text/plain": _LEFT_OUT})
    cell.outputs = [*(output for output in cell.outputs if output != said), said]


def _engine() -> str:
    """Name of the engine that lets a reviewer's own cell stop, and says how far it is."""
    from papermill.engines import NBClientEngine, papermill_engines

    class Lenient(NBClientEngine):  # type: ignore[misc]
        @classmethod
        def execute_managed_notebook(
            cls, nb_man: Any, kernel_name: str, *, at_cell: Callable[[str], None], **options: Any
        ) -> None:
            start = nb_man.cell_start

            def cell_start(cell: NotebookNode, *rest: Any, **more: Any) -> None:
                at_cell(merge.cell_name(cell))
                start(cell, *rest, **more)

            nb_man.cell_start = cell_start
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


def what_stopped(notebook: NotebookNode) -> tuple[str, ...]:
    """Return what stopped in the reviewer's own cells, and in which, one line each."""
    return tuple(
        f"{' '.join(output.text.removeprefix(_STOPPED).split())} (cell [{cell.execution_count}])"
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
        if output.output_type == "stream" and output.text.startswith(_STOPPED)
    )


def _declared_parameters(notebook: NotebookNode, *, kind: Kind) -> set[str]:
    """Names that the cell tagged ``parameters`` assigns."""
    names: set[str] = set()
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            try:
                found = ast.parse(cell.source).body
            except SyntaxError as error:
                raise NotebookError(
                    f"{kind.notebook}: the cell tagged 'parameters' is no Python in its line "
                    f"{error.lineno}. Mend it; nothing was overwritten."
                ) from error
            for node in found:
                if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                    names.add(node.target.id)
    return names


def _as_report_error(error: Any, *, path: Path) -> Exception:
    """Turn a stopped cell into the library's error that stopped it, where it was one."""
    from reportlib import errors

    kind = getattr(errors, str(error.ename), None)
    if isinstance(kind, type) and issubclass(kind, errors.ReportError):
        found: Exception = kind(str(error.evalue))
        return found
    return NotebookError(
        f"{path}: cell [{error.exec_count}] stopped with {error.ename}: "
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
