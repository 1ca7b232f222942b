"""Figures of whole simulated days, one a loudspeaker: every label in its place (slow)."""

import pytest
from figure_texts import assert_apart, written

from reportlib.analysis import conclude, long_term_test, measure_captures, short_term_test
from reportlib.demo import SPEAKERS, make_demo
from reportlib.figures import (
    asked_and_given_panels,
    coil_panels,
    distortion_panels,
    ladder_rows,
    left_playing_panels,
    minute_panels,
    stress_map_panel,
    turned_up_panel,
)
from reportlib.figures.paper import PAGE, PHONE
from reportlib.parameters import checked_parameters
from reportlib.playing import while_playing
from reportlib.session import read_session

DRAWN = (
    ladder_rows.draw,
    turned_up_panel.draw,
    asked_and_given_panels.draw,
    distortion_panels.draw,
    left_playing_panels.draw,
    minute_panels.draw,
    stress_map_panel.draw,
    coil_panels.draw,
)


@pytest.mark.slow
@pytest.mark.parametrize("speaker", SPEAKERS)
@pytest.mark.parametrize("takes", [1, 2])
def test_no_label_of_a_simulated_day_leaves_its_place(tmp_path, speaker, takes):
    folder = make_demo(
        tmp_path / speaker, speaker=speaker, stages_s=(6.0, 9.0), takes=takes, seed=31
    )
    measured = measure_captures(
        read_session(folder), parameters=checked_parameters(session=str(folder))
    )
    short = short_term_test(measured)
    long = long_term_test(measured, short=short)
    playing = while_playing(measured, long=long)
    report = conclude(measured, short=short, long=long, playing=playing)
    drawn = 0
    for draw in DRAWN:
        for paper in (PAGE, PHONE):
            sheet = draw(report, paper=paper)
            if sheet is not None:
                drawn += 1
                assert_apart(sheet, written(sheet))
    assert drawn >= 14
