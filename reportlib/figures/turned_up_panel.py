"""Turned up: short-term change over frequency, one line a level."""

from reportlib.figures.heading import Heading
from reportlib.figures.panel import Words, draw_panel
from reportlib.figures.panel_layout import lay_out
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.reading_out import read_out
from reportlib.figures.sheet import Sheet
from reportlib.model import Analysis

_FRAME_PX = 300.0
AS_ASKED = Words(zero="as asked", less="less than\nasked", more="more than\nasked")


def draw(analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no level was driven above the baseline."""
    curves = sorted(analysis.short_term, key=lambda curve: curve.level_db)
    if not curves:
        return None
    layout = lay_out(curves, range_hz=shown_range_hz(analysis), frame_height=_FRAME_PX, paper=paper)
    heading = Heading(
        name=analysis.session.speaker.name,
        title="Turned up: change over frequency",
        more=(
            "Output against what was asked for, on the way from "
            f"{analysis.baseline.level_asked_db:g} dB up to each level."
        ),
        axes=AS_ASKED.sentence,
    )
    top = heading.height(paper)
    sheet = Sheet(paper=paper, height_px=top + layout.height)
    heading.write(sheet)
    draw_panel(sheet, layout, top=top, words=AS_ASKED, baseline=analysis.baseline)
    sheet.read_out = read_out(
        "Turned up: read the curves at a frequency",
        curves=curves,
        frame=layout.frame.moved(top),
        sheet=sheet,
    )
    return sheet


def shown_range_hz(analysis: Analysis) -> tuple[float, float]:
    """Return the frequencies that figures show: the sweep's, inside 20 Hz to 20 kHz."""
    low, high = analysis.sweep_range_hz
    return max(low, 20.0), min(high, 20000.0)
