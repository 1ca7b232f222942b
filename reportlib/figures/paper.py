"""What a figure is drawn on: as wide as the page, or as a phone's.

Both are drawn by the same code; what differs is chosen here by name. A phone's drawing is
shown as it is, never shrunk: its panels stand below each other, and what an axis means stands
in the heading, where there is room for words.
"""

from dataclasses import dataclass
from typing import TypeVar

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Paper:
    """A sheet's width in CSS pixels, and whether it is too narrow for words beside a panel."""

    width_px: float
    narrow: bool

    def either(self, page: T, *, phone: T) -> T:
        """Return what holds for this paper.

        >>> PAGE.either(5, phone=2), PHONE.either(5, phone=2)
        (5, 2)
        """
        return phone if self.narrow else page


PAGE = Paper(width_px=720.0, narrow=False)
PHONE = Paper(width_px=330.0, narrow=True)
"""What a phone of 360 pixels leaves beside its margins."""
