"""A figure's heading: the loudspeaker's name, the title, and what is drawn."""

from dataclasses import dataclass

from reportlib.figures import style
from reportlib.figures.lettering import fitted, wrapped
from reportlib.figures.paper import Paper
from reportlib.figures.sheet import MARGIN_PX, Sheet

_PAGE_PX = 84.0
_UNDER_PX = 18.0
_PHONE_TITLE_PX = 16.0


@dataclass(frozen=True, kw_only=True)
class Heading:
    """What stands over a figure; on a phone in as many lines as it needs.

    `axes` says what else a page writes beside its panels.
    """

    name: str
    title: str
    more: str
    axes: str = ""

    def height(self, paper: Paper) -> float:
        """Return how far down the sheet the heading reaches, with some room below it."""
        if not paper.narrow:
            return _PAGE_PX
        return sum(pitch for _, pitch, *_ in self._lines(paper)) + _UNDER_PX

    def write(self, sheet: Sheet) -> None:
        """Write it at the top of a sheet."""
        if not sheet.paper.narrow:
            sheet.heading(self.title, name=self.name, more=self.more)
            return
        y = 0.0
        for text, pitch, size, colour, weight in self._lines(sheet.paper):
            y += pitch
            sheet.text(MARGIN_PX, y, text=text, size=size, color=colour, weight=weight)

    def _lines(self, paper: Paper) -> list[tuple[str, float, float, str, str]]:
        room, small, large = paper.width_px - 2.0 * MARGIN_PX, style.SMALL_PX, _PHONE_TITLE_PX
        name = fitted(self.name, size=small, width=room)
        lines = [(name, 1.3 * small, small, style.MUTED, "normal")]
        title = wrapped(self.title, size=large, width=room, weight="bold")
        for index, line in enumerate(title):
            lines.append((line, (1.25 if index else 1.4) * large, large, style.INK, "bold"))
        more = wrapped(f"{self.more} {self.axes}".strip(), size=small, width=room)
        for index, line in enumerate(more):
            pitch = (1.3 if index else 1.7) * small
            lines.append((line, pitch, small, style.MUTED, "normal"))
        return lines
