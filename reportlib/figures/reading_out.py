"""Where a panel's axes lie in the drawing, for the cursor that reads its curves in the page."""

from collections.abc import Sequence

from reportlib.figures.frame import Frame
from reportlib.figures.sheet import Sheet
from reportlib.model import ChangeCurve
from reportlib.numbers import level_text
from reportlib.readings.read_out import curve_words, frequency_words, read_points, where_most
from reportlib.shown import ReadLine, ReadOut


def read_out(
    label: str, *, curves: Sequence[ChangeCurve], frame: Frame, sheet: Sheet
) -> ReadOut | None:
    """Return what can be read off a panel; None where no frequency lies in it.

    Parameters
    ----------
    curves : as drawn, quietest first
    frame : the panel's, where it stands on the sheet
    """
    points = read_points(curves[0].frequency_hz, range_hz=frame.x_range)
    if not points.size:
        return None
    frequency_hz = curves[0].frequency_hz[points].tolist()
    return ReadOut(
        label=label,
        left=frame.left / sheet.width_px,
        right=frame.right / sheet.width_px,
        top=frame.top / sheet.height_px,
        bottom=frame.bottom / sheet.height_px,
        low_hz=frame.x_range[0],
        high_hz=frame.x_range[1],
        frequency_hz=tuple(round(hz, 2) for hz in frequency_hz),
        frequency_words=tuple(frequency_words(hz) for hz in frequency_hz),
        start=where_most(curves[-1], points=points),
        lines=tuple(
            ReadLine(name=level_text(curve.level_db), words=curve_words(curve, points=points))
            for curve in curves
        ),
    )
