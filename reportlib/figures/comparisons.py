"""From a comparison to its pictures: each function makes one, or None."""

from collections.abc import Callable
from typing import Protocol

from reportlib.compared import Comparison
from reportlib.figures import beside_limit_rows as figure_limits
from reportlib.figures import beside_output_panels as figure_output
from reportlib.figures import beside_playing_rows as figure_playing
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.printing import printed
from reportlib.figures.sheet import Sheet
from reportlib.shown import Picture
from reportlib.words import comparison_captions as captions

_Words = Callable[[Comparison], str]


class _Draw(Protocol):
    def __call__(self, comparison: Comparison, *, paper: Paper = PAGE) -> Sheet | None: ...


def at_equal_output(comparison: Comparison) -> Picture | None:
    """Draw by band how far each session lags by how much it gives, one line a session."""
    return _picture(
        comparison,
        draw=figure_output.draw,
        name="at-equal-output",
        caption=captions.caption_at_equal_output,
        alt=captions.alt_at_equal_output,
    )


def beside_left_playing(comparison: Comparison) -> Picture | None:
    """Draw by band what each session lost after the same stress."""
    return _picture(
        comparison,
        draw=figure_playing.draw,
        name="beside-left-playing",
        caption=captions.caption_beside_left_playing,
        alt=captions.alt_beside_left_playing,
    )


def beside_limits(comparison: Comparison) -> Picture | None:
    """Draw by band the level at which each session is 1 dB behind."""
    return _picture(
        comparison,
        draw=figure_limits.draw,
        name="beside-limits",
        caption=captions.caption_beside_limits,
        alt=captions.alt_beside_limits,
    )


def _picture(
    comparison: Comparison, *, draw: _Draw, name: str, caption: _Words, alt: _Words
) -> Picture | None:
    return printed(
        lambda paper: draw(comparison, paper=paper),
        name=name,
        caption=lambda: caption(comparison),
        alt=lambda: alt(comparison),
    )
