"""The report's figures: an `Analysis` in, a `Drawn` picture out. Figures compute nothing.

Each is a plain matplotlib figure under a style sheet, drawn for a page and for a phone by the same
function; a reviewer's cell may change it: ``turned_up(report).changed(f)``.

style, house.mplstyle   papers, colours, sizes
scales, placing         where axes end; where words stand
sheet                   a figure measured in pixels, its heading
drawing                 scales, lines and their names, beyond what a style sheet says
pictures                what a figure function returns; SVG, PNG, the page's cursor
over_frequency          change over frequency
harmonics               distortion
ladder                  the level ladder; asked and given
over_time               sweeps after the stress; minute by minute
stress                  frequency against time; the coil
comparisons, intervals  the figures of a comparison
"""

from reportlib.figures.comparisons import at_equal_output
from reportlib.figures.harmonics import distortion
from reportlib.figures.intervals import beside_left_playing, beside_limits
from reportlib.figures.ladder import asked_and_given, level_ladder
from reportlib.figures.over_frequency import turned_up
from reportlib.figures.over_time import left_playing, minute_by_minute
from reportlib.figures.stress import coil, stress_map

__all__ = [
    "asked_and_given",
    "at_equal_output",
    "beside_left_playing",
    "beside_limits",
    "coil",
    "distortion",
    "left_playing",
    "level_ladder",
    "minute_by_minute",
    "stress_map",
    "turned_up",
]
