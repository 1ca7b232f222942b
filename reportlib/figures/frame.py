"""A plot's frame on a sheet: where values stand, its grid and its numbers.

The numbers are written as ordinary text of the sheet: they stand where they are put.
"""

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import replace

from reportlib.figures import style
from reportlib.figures.axes import Axes
from reportlib.figures.box import Box
from reportlib.figures.sheet import Sheet
from reportlib.numbers import true_minus

_OCTAVE_TICKS_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3)
_SPARSE_TICKS_HZ = (20.0, 100.0, 1e3, 10e3)
_BEHIND = -2.0


class Frame(Box):
    """A box in which something is plotted."""

    def moved(self, down: float) -> "Frame":
        """Return the frame so much further down the sheet."""
        return replace(self, top=self.top + down)

    def axes(self, sheet: Sheet) -> Axes:
        """Return bare axes that fill the frame, for curves."""
        return sheet.add_axes(Axes(box=self))

    def grid(self, sheet: Sheet, *, xs: Iterable[float] = (), ys: Iterable[float] = ()) -> None:
        """Draw faint lines at values of either scale, behind everything."""
        across = [((self.left, self.y(y)), (self.right, self.y(y))) for y in ys]
        down = [((self.x(x), self.top), (self.x(x), self.bottom)) for x in xs]
        sheet.strokes([*across, *down], color=style.FAINT, linewidth=0.9, zorder=_BEHIND)

    def frequency_ticks(self) -> tuple[float, ...]:
        """Return the plain frequencies that the scale shows: fewer where it is narrow."""
        low, high = self.x_range
        octaves = math.log2(high / low)
        wanted = _OCTAVE_TICKS_HZ if self.width / octaves > 36.0 else _SPARSE_TICKS_HZ
        return tuple(f for f in wanted if low * 0.999 <= f <= high * 1.001)

    def write_frequencies(self, sheet: Sheet, *, y: float, unit: bool = True) -> None:
        """Write the frequencies with their baseline at `y`, and their unit after them."""
        ticks = self.frequency_ticks()
        for f in ticks:
            text = f"{f / 1000.0:g}k" if f >= 1000.0 else f"{f:g}"
            sheet.text(self.x(f), y, text=text, size=style.SMALL_PX, ha="center")
        if unit:
            sheet.text(self.right + 16.0, y, text="Hz", size=style.SMALL_PX)

    def write_decibels(
        self, sheet: Sheet, ticks_db: Sequence[float], *, unit: str = "dB", signed: bool = True
    ) -> None:
        """Write levels left of the frame, the topmost with its unit where there is room."""
        fine = any(tick % 1.0 for tick in ticks_db)
        for tick in ticks_db:
            text = f"{tick:{'+' if signed else ''}.{int(fine)}f}" if tick else "0"
            if tick == max(ticks_db) and unit and not sheet.paper.narrow:
                text += f" {unit}"
            sheet.text(
                self.left - 6.0,
                self.y(tick),
                text=true_minus(text),
                size=style.SMALL_PX,
                ha="right",
                va="center",
            )

    def grey_out(self, sheet: Sheet, *, why: str) -> None:
        """Grey the whole frame and say that it can't be told, and why."""
        sheet.boxes(
            [(self.left, self.top, self.width, self.height)],
            facecolor=style.UNTOLD,
            alpha=style.UNTOLD_ALPHA,
            edgecolor="none",
            zorder=-1.0,
        )
        lines = textwrap.wrap(why, max(int(self.width / 7.0), 8))
        sheet.text(
            0.5 * (self.left + self.right),
            0.5 * (self.top + self.bottom),
            text="\n".join(["can't tell:", *lines]),
            size=style.SMALL_PX,
            ha="center",
            va="center",
            linespacing=1.3,
        )
