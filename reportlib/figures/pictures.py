"""From an analysis to the report's pictures: each function makes one, or None.

None means that the session holds nothing for it to show (no long-term test, say). Every
picture is drawn by its own module, worded by ``captions`` and saved under its own name.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from reportlib.figures import asked_and_given_panels as figure_asked_and_given
from reportlib.figures import coil_panels as figure_coil
from reportlib.figures import distortion_panels as figure_distortion
from reportlib.figures import ladder_rows as figure_ladder
from reportlib.figures import left_playing_panels as figure_left_playing
from reportlib.figures import minute_panels as figure_minutes
from reportlib.figures import stress_map_panel as figure_stress_map
from reportlib.figures import turned_up_panel as figure_turned_up
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.printing import printed
from reportlib.figures.sheet import Sheet
from reportlib.model import Analysis
from reportlib.readings.ladder import shown_ladder
from reportlib.shown import Picture
from reportlib.words import captions, stress_captions

_Words = Callable[[Analysis], str]


class _Draw(Protocol):
    def __call__(self, analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None: ...


def level_ladder(analysis: Analysis) -> Picture | None:
    """Draw the level ladder: by band and level, how much of the asked-for rise came out."""
    picture = _picture(
        analysis,
        draw=figure_ladder.draw,
        name="level-ladder",
        caption=captions.caption_level_ladder,
        alt=captions.alt_level_ladder,
    )
    return picture and replace(picture, ladder=shown_ladder(analysis))


def turned_up(analysis: Analysis) -> Picture | None:
    """Draw the short-term change over frequency, one line a level."""
    return _picture(
        analysis,
        draw=figure_turned_up.draw,
        name="turned-up",
        caption=captions.caption_turned_up,
        alt=captions.alt_turned_up,
    )


def left_playing(analysis: Analysis) -> Picture | None:
    """Draw the long-term change: by band over time, and over frequency at the end."""
    return _picture(
        analysis,
        draw=figure_left_playing.draw,
        name="left-playing",
        caption=captions.caption_left_playing,
        alt=captions.alt_left_playing,
    )


def minute_by_minute(analysis: Analysis) -> Picture | None:
    """Draw what each band loses while the stress plays, with the fitted curves and the sweeps."""
    return _picture(
        analysis,
        draw=figure_minutes.draw,
        name="minute-by-minute",
        caption=stress_captions.caption_minute_by_minute,
        alt=stress_captions.alt_minute_by_minute,
    )


def stress_map(analysis: Analysis) -> Picture | None:
    """Draw every tone against every period of the loudest level as a map."""
    return _picture(
        analysis,
        draw=figure_stress_map.draw,
        name="stress-map",
        caption=stress_captions.caption_stress_map,
        alt=stress_captions.alt_stress_map,
    )


def coil(analysis: Analysis) -> Picture | None:
    """Draw the coil's temperature, and the change that it predicts against the one heard."""
    return _picture(
        analysis,
        draw=figure_coil.draw,
        name="coil",
        caption=stress_captions.caption_coil,
        alt=stress_captions.alt_coil,
    )


def distortion(analysis: Analysis) -> Picture | None:
    """Draw harmonics 2 to 5 above the change, at a middle level and the highest."""
    return _picture(
        analysis,
        draw=figure_distortion.draw,
        name="distortion",
        caption=captions.caption_distortion,
        alt=captions.alt_distortion,
    )


def asked_and_given(analysis: Analysis) -> Picture | None:
    """Draw by band how far the output rose against how far it was asked to."""
    return _picture(
        analysis,
        draw=figure_asked_and_given.draw,
        name="asked-and-given",
        caption=captions.caption_asked_and_given,
        alt=captions.alt_asked_and_given,
    )


def _picture(
    analysis: Analysis,
    *,
    draw: _Draw,
    name: str,
    caption: _Words,
    alt: _Words,
) -> Picture | None:
    return printed(
        lambda paper: draw(analysis, paper=paper),
        name=name,
        caption=lambda: caption(analysis),
        alt=lambda: alt(analysis),
    )
