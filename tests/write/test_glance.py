"""The first screen's three lines: what gives first, the seat, what to watch."""

import re

import numpy as np
import pytest
from builders import make_analysis
from invented import bump, no_change
from test_narrative import DAYS, drafts

from reportlib.publish.prose import plain_text, read_prose
from reportlib.session.records import QualityNote

LABELS = ("Gives first:", "At your seat:", "Watch:")


def lines(analysis):
    """Return the opening's list, line by line, as a reader sees it."""
    tokens = read_prose(drafts(analysis)["in-short"])
    (found,) = [token for token in tokens if token["type"] == "list"]
    return [plain_text([item]).strip() for item in found["children"]]


@pytest.mark.parametrize("day", DAYS)
def test_every_report_opens_with_a_verdict_and_three_labelled_lines(day):
    found = lines(make_analysis(**DAYS[day]))
    assert [line.startswith(label) for line, label in zip(found, LABELS, strict=True)] == [True] * 3
    for line in found:
        assert line.endswith(".")
        assert not re.search(r"None|nan|\{\{|  |\.\.", line)


@pytest.mark.parametrize(
    ("day", "line", "words"),
    [
        ("holds", 0, r"nothing by 99 dB, the loudest level tested\."),
        ("port", 0, r"the bass, \d\.\d dB ± 0\.\d dB short at \d\d dB\."),
        ("bass untold", 0, r"can be told"),
        ("nothing told", 0, r"can’t be told from these captures"),
        ("nothing told", 1, r"can’t be told"),
        ("port", 1, r"9\d dB to 1?\d\d dB arrive 3 m from a pair of them in a living room"),
        ("no long-term", 2, r"it was not left playing, so what minutes of loud music cost is not"),
    ],
)
def test_each_line_says_what_the_day_was(day, line, words):
    assert re.search(words, lines(make_analysis(**DAYS[day]))[line])


def test_what_only_the_quieter_levels_tell_is_not_said_of_the_loudest():
    day = make_analysis(change=no_change, noise_below_hz={99.0: 150.0})
    assert "nothing, as far as it can be told" in lines(day)[0]


def test_several_that_give_together_name_the_one_that_loses_most():
    def change(frequency_hz, rise_db):
        steep = bump(frequency_hz, 80.0, octaves=1.5) + 0.5
        return -2.0 * (rise_db / 27.0) ** 8 * steep

    first = lines(make_analysis(change=change, ripple_db=0.0))[0]
    assert re.search(
        r"(every band|the bass.* and .*); the bass most, \d\.\d dB ± 0\.\d dB short", first
    )


def test_warnings_about_the_data_stand_under_what_to_watch():
    note = QualityNote(code="clipped", severity="warning", capture="a", message="It clipped.")
    assert "Read with care: one warning" in lines(make_analysis(quality=[note]))[2]


def deepest(frequency_hz, rise_db):
    """6 dB lost below 32 Hz at the loudest level, next to nothing from 40 Hz on."""
    return np.where(frequency_hz < 32.0, -6.0 * (rise_db / 27.0) ** 2, 0.0)


def test_the_bass_below_the_bands_is_in_the_verdict_though_no_grade_tells_of_it():
    analysis = make_analysis(change=deepest, ripple_db=0.0)
    text = drafts(analysis)["in-short"]
    verdict = text.split("\n\n")[1]
    assert "from [40 Hz]" in verdict
    assert re.search(r"In the lowest bass, between \[2\d Hz\].*it comes out \[[56]", verdict)
    assert "short at 99 dB" in verdict
    assert lines(analysis)[0].startswith("Gives first: the deepest bass: between 2")
    assert "no band above loses anything" in lines(analysis)[0]
