"""The report's figures: an `Analysis` in, a `Picture` out. Plots compute nothing.

pictures             the public functions
style, sheet, frame  colours and sizes; a canvas; axes and their words
scales, placing      where axes end; where labels stand
panel, panel_layout  one panel of change over frequency
*_panels, ladder_rows, turned_up_panel   what each figure draws
"""

from reportlib.figures.pictures import (
    asked_and_given,
    distortion,
    left_playing,
    level_ladder,
    turned_up,
)

__all__ = ["asked_and_given", "distortion", "left_playing", "level_ladder", "turned_up"]
