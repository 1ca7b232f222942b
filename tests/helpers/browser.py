"""A real browser for the published page: Debian's Chromium, driven by Playwright, no network."""

import json
import shutil
from contextlib import contextmanager
from dataclasses import dataclass, field

import pytest
from builders import make_analysis
from nbformat import v4
from playwright.sync_api import Page, sync_playwright
from sample_notebook import narrative_cell, notebook_of, shown_cell
from stressed import LOSSES, make_playing

from reportlib.draw import figures, tables
from reportlib.draw.wordings import narrative_templates
from reportlib.publish import results
from reportlib.publish.notebook import for_readers
from reportlib.session.files import notebooks_folder
from reportlib.session.parameters import checked_parameters
from reportlib.write import facts, report
from reportlib.write.data import seat_calculator

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip
NOWHERE = "No chromium on the path: its tests need Debian's package 'chromium'"
PHONE = {"width": 360, "height": 740}
DESK = {"width": 1280, "height": 800}


@contextmanager
def browser():
    """Start Chromium without a network, or skip where there is none."""
    path = shutil.which("chromium")
    if path is None:
        pytest.skip(NOWHERE)
    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=path, args=FLAGS)
        try:
            yield started
        finally:
            started.close()


@dataclass
class Opened:
    """A page in the browser, and all that it asked for or complained of."""

    page: Page
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def says(self, name):
        """What the calculator says in one place."""
        return self.page.locator(f'[data-say="{name}"]').text_content()


@contextmanager
def opened(started, file, *, viewport=DESK, **how):
    """Open a file in a context of its own."""
    context = started.new_context(viewport=viewport, offline=True, **how)
    page = context.new_page()
    found = Opened(page)
    page.on("request", lambda request: found.requests.append(request.url))
    page.on("console", lambda message: found.complaints.append(message.text))
    page.on("pageerror", lambda error: found.complaints.append(str(error)))
    page.on("dialog", lambda dialog: (found.complaints.append(dialog.message), dialog.dismiss()))
    try:
        page.goto(file.as_uri())
        yield found
    finally:
        context.close()


def whole_day():
    """A day with every figure: two recorded levels of stress, one with its coil."""
    quiet = {band: 0.15 * loss for band, loss in LOSSES.items()}
    playing = (make_playing(level_db=82.0, losses=quiet), make_playing(with_coil=True))
    return make_analysis(playing=playing)


def report_of(analysis):
    """Return the notebook as the template makes it, without a kernel: every cell that shows."""
    parameters = checked_parameters(session=".")
    drafts = report.draft(
        analysis,
        facts=facts.collect(analysis),
        templates=narrative_templates(),
        parameters=parameters,
    )
    names = {
        "report": analysis, "parameters": parameters, "figures": figures, "tables": tables,
        "seat_calculator": seat_calculator,
    }  # fmt: skip
    cells = filled("compression.ipynb", drafts=drafts, names=names)
    return for_readers(v4.new_notebook(cells=cells), about=results.about(analysis))


def filled(notebook, *, drafts, names):
    """Return the cells of a template that show something, each run with these names."""
    cells = []
    template = json.loads((notebooks_folder() / notebook).read_text("utf-8"))
    for cell in template["cells"]:
        about = cell["metadata"]["upheld"]
        source = "".join(cell["source"])
        if about.get("slot") in drafts:
            slot = about["slot"]
            made = narrative_cell(drafts[slot], slot=slot)
            made.metadata.upheld.cell = about["cell"]
            made.metadata.tags = cell["metadata"]["tags"]
            cells.append(made)
        elif cell["cell_type"] == "code" and not about.get("needed"):
            shown = eval(source, names)  # our own template: one call a cell
            if shown is not None:
                cells.append(shown_cell(shown))
    return cells


def calculator_alone(analysis, *, parameters=None):
    """Return a notebook that shows the calculator and nothing else."""
    chosen = checked_parameters(session=".", **(parameters or {}))
    return notebook_of(shown_cell(seat_calculator(analysis, parameters=chosen)))
