"""A report with every figure and table in it, made without recordings or a kernel."""

import functools

from builders import make_analysis
from nbformat import NotebookNode
from sample_notebook import IN_SHORT, TURNED_UP, narrative_cell, notebook_of, shown_cell
from stressed import LOSSES, make_playing

from reportlib.draw import figures, tables
from reportlib.judge.records import Analysis

PARTS = (
    "level_ladder", "need_table", "turned_up", "minute_by_minute", "limit_table", "band_table",
    "thermal_table", "stress_map", "left_playing", "seat_table", "seat_band_table",
    "exposure_table", "cause_table", "distortion", "coil", "coil_table", "step_table",
    "quality_table",
)  # fmt: skip
"""In the order of the notebook."""


@functools.cache
def full_analysis() -> Analysis:
    """Return an analysis of five levels and two long-term ones, the stress recorded."""
    quiet = {band: 0.15 * loss for band, loss in LOSSES.items()}
    return make_analysis(
        playing=(
            make_playing(level_db=82.0, losses=quiet, seed=5),
            make_playing(with_coil=True),
        )
    )


@functools.cache
def shown() -> tuple:
    """Return every picture and table of it."""
    made = [getattr(figures, part, None) or getattr(tables, part) for part in PARTS]
    return tuple(one for one in (make(full_analysis()) for make in made) if one is not None)


def full_notebook(**about: object) -> NotebookNode:
    """Return its executed notebook, with two narrative cells."""
    ladder, *others = shown()
    return notebook_of(
        narrative_cell(IN_SHORT, slot="in-short"),
        shown_cell(ladder),
        narrative_cell(TURNED_UP, slot="turned-up"),
        *(shown_cell(one) for one in others),
        **about,
    )
