"""The report's figures: an `Analysis` in, a `Picture` out. Plots compute nothing.

pictures             the public functions
style, paper         colours and sizes; page or phone
sheet, frame, axes   what to draw on; a frame with its words; curves in it
lettering            text measured, shortened, wrapped
marks, vector        what stands on a sheet; the same as SVG
pixels, printing     the same as PNG; all of a figure's drawings
scales, placing      where axes end; where labels stand
panel, panel_layout  one panel of change over frequency
stress_parts         what the figures of the stress share
comparisons          the public functions of a comparison
beside_parts, beside_rows  what its figures share
*_panels, *_panel, *_rows  what each figure draws
"""

from reportlib.figures.comparisons import at_equal_output, beside_left_playing, beside_limits
from reportlib.figures.pictures import (
    asked_and_given,
    coil,
    distortion,
    left_playing,
    level_ladder,
    minute_by_minute,
    stress_map,
    turned_up,
)

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
