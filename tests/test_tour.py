"""The tour for people who write Python: it runs as it stands, and shows what it says."""

from pathlib import Path

import nbformat
from nbclient import NotebookClient

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"


def test_the_tour_runs_as_it_stands():
    notebook = nbformat.read(NOTEBOOKS / "tour.ipynb", as_version=4)
    client = NotebookClient(notebook, resources={"metadata": {"path": str(NOTEBOOKS)}})
    client.execute()
    cells = {cell["id"]: cell for cell in notebook.cells}
    printed = {
        name: "".join(output.get("text", "") for output in cell.get("outputs", ()))
        for name, cell in cells.items()
    }
    assert "mids: " in printed["bands"]
    assert " dB short: " in printed["limits"]
    assert "short_term 90 dB, mids: " in printed["own"]
    assert "Array 2 before Array 1" in printed["compare"]
    assert "text/html" in cells["table"].outputs[0].data
    assert "image/svg+xml" in cells["figure"].outputs[0].data
