"""Figures of whole simulated days, one a loudspeaker: every label in its place (slow)."""

import pytest
from figure_texts import assert_apart, drawn

from reportlib.draw import figures
from reportlib.draw.style import PAGE, PHONE
from reportlib.judge.analysis import conclude, long_term_test, short_term_test, while_playing
from reportlib.judge.measuring import measure_captures
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session
from reportlib.simulate.demo import make_demo
from reportlib.simulate.speakers import SPEAKERS

DRAWN = (
    "level_ladder", "turned_up", "distortion", "left_playing",
    "minute_by_minute", "stress_map", "coil",
)  # fmt: skip


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
    shown = [figure for figure in DRAWN if getattr(figures, figure)(report) is not None]
    for figure in shown:
        for paper in (PAGE, PHONE):
            assert_apart(drawn(figure, report, paper=paper))
    assert len(shown) >= 3
