"""Kernels that start before they are asked for: what they import, and that none is left."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import psutil

from reportlib.publish import kernels
from reportlib.session import files

NOTEBOOK = files.notebooks_folder() / "compression.ipynb"


def test_a_prepared_kernel_has_imported_what_the_notebook_imports_and_nothing_heavy_beside():
    code = "import sys; from reportlib.publish import kernel; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    found = set(done.stdout.split())
    wanted = set()
    for cell in json.loads(NOTEBOOK.read_text("utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            for node in ast.walk(ast.parse("".join(cell["source"]))):
                for one in node.names if isinstance(node, ast.ImportFrom) else ():
                    module = f"{node.module}.{one.name}"
                    wanted.add(module if module in found else node.module)
    assert wanted <= found
    # jsonschema alone takes over a second where all its formats are installed
    assert not found & {"nbformat", "jsonschema", "papermill", "scipy.signal", "scipy.optimize"}


def children():
    return {one.pid for one in psutil.Process().children(recursive=True)}


def test_no_kernel_is_left_that_nobody_asked_for(tmp_path):
    before = children()
    with kernels.started(tmp_path) as handed_out:
        assert children() - before
        first = handed_out(kernel_name="python3")
        further = handed_out(kernel_name="python3")  # for a notebook that has to run again
        assert first.has_kernel
        assert not further.has_kernel
        assert Path(first.connection_file).parent == Path(further.connection_file).parents[1]
    assert not first.has_kernel
    assert children() <= before
    assert list(tmp_path.iterdir()) == []


def test_the_session_folder_is_no_place_for_modules(tmp_path):
    (tmp_path / "json.py").write_text("raise RuntimeError('imported from the session folder')")
    with kernels.started(tmp_path) as handed_out:
        client = handed_out().blocking_client()
        client.start_channels()
        try:
            client.wait_for_ready(timeout=120)
        finally:
            client.stop_channels()
