"""The correction is a few sentences that a reader can be shown: then, now, and why."""

from dataclasses import replace

import pytest

from reportlib.draw.wordings import narrative_templates
from reportlib.write.changed import Changed, Published, what_changed

THEN = Published(
    when="2026-05-04T10:00:00", tool_version="1", captures="a", narrative={}, judged={}, numbers={}
)


def said(*changed, now=None):
    text = what_changed(
        [Changed(name=name, then=then, now=today) for name, then, today in changed],
        last=THEN, now=now or replace(THEN, captures="b"), name="Marram 12",
        templates=narrative_templates(),
    )  # fmt: skip
    return text.partition("\n\n")[2].strip()


ALL = (
    ("short.low-mids.99", "slips", "holds, may be slips"),
    ("short.treble.99", "holds, may be slips", "holds"),
    ("stress.mids.92", "slips", "slips, may be falls short"),
    ("finding.heat-coil", "fits, high confidence", ""),
    ("need.relaxed music, your seat", "yes", "just"),
    ("stress.mids.92.end", "0.8 dB", "0.9 dB"),
    ("exposure.your-seat.osha", "8 h", "7.9 h"),
    ("seat.96.room-high", "98 dB", "97 dB"),
    ("finding.none-shown", "", "fits, low confidence"),
)


def test_the_correction_is_a_few_sentences_without_a_name_of_the_tools():
    text = said(*ALL)
    assert text.startswith("The measurements of Marram 12 have changed since this report was pub")
    assert "Left playing at 92 dB, the mids slipped; now they slip and may fall short" in text
    assert "2 other grades changed too." in text
    assert "Left playing at 92 dB, the mids are 0.9 dB quieter; it was 0.8 dB." in text
    assert "What was found no longer fits a warm voice coil." in text
    assert "For relaxed music the answer was “yes”; now it is “just”." in text
    assert not any(word in text for word in ("exposure", "seat.", "osha", "none shown", "need."))
    assert len(text.split(". ")) <= 5


def test_bands_that_changed_alike_are_one_sentence():
    text = said(*[(f"short.{band}.96", "falls short", "slips") for band in ("bass", "mids")])
    assert "At 96 dB the bass and mids fell short; now they slip." in text
    assert text.endswith("What it will do is the same.")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("limit.bass.1", "95 dB", "93 dB"), "The bass is 1 dB short at 93 dB; it was at 95 dB."),
        (("limit.mids.1.low", "95 dB", ""), "The mids were 1 dB short from 95 dB; that is no"),
        (("short.bass.99", "can't tell", "gives out"),
         "At 99 dB the bass couldn't be told; now it gives out."),
        (("seat.96.room-high", "98 dB", "97 dB"),
         "Grades, causes and what it will do are the same; numbers alone"),
    ],
)  # fmt: skip
def test_each_kind_of_change_has_its_words(change, words):
    assert words in said(change)


def test_what_brought_it_about_comes_first():
    change = ("short.bass.99", "slips", "holds")
    assert "a newer version of the tool" in said(change, now=replace(THEN, tool_version="2"))
    assert "its settings have changed" in said(change, now=THEN)
    assert said() == ""
