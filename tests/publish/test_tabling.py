"""Tables where room is short: rows as cards on a phone, long texts below their row on paper."""

import re
from dataclasses import replace

from reportlib.publish import publication
from reportlib.write.shown import Table

LONG = "It came with playing on, and the sweep before the stress did not have it. " * 2
CAUSES = Table(
    name="causes",
    caption="What the changes fit.",
    columns=("cause", "how sure", "for", "against", "what would settle it"),
    rows=(
        ("a warm voice coil", "high", LONG, "", "Measure the coil's resistance."),
        ("a limiter", "low", "The loss is the same everywhere.", "", "Bypass it."),
    ),
)
STEPS = Table(
    name="steps",
    caption="How far the volume was raised.",
    columns=("level", "asked", "measured", "±"),
    rows=(("78 dB", "6.00 dB", "6.02 dB", "0.06 dB"),),
    numeric=(True, True, True, True),
)


def test_tables_of_many_columns_or_long_texts_become_cards_on_a_phone() -> None:
    assert not publication.too_wide_for_a_phone(STEPS)
    wide = replace(STEPS, columns=("one",) * 9, rows=(("12 dB",) * 9,), numeric=(True,) * 9)
    assert publication.too_wide_for_a_phone(wide)
    told = replace(STEPS, columns=("a", "b"), rows=(("one", LONG),), numeric=())
    assert publication.too_wide_for_a_phone(told)


def test_in_jupyter_numbers_stand_right_and_words_left_as_in_the_page() -> None:
    shown = replace(STEPS, numeric=(False, True, True, True))._repr_mimebundle_()["text/html"]
    sides = re.findall(r'<t[dh] style="text-align: (\w+)">', shown)
    assert sides == ["left", "right", "right", "right"] * 2


def test_long_texts_are_those_of_whole_columns_and_never_the_rows_name() -> None:
    assert publication.long_columns(CAUSES) == (2,)
    assert publication.long_columns(STEPS) == ()
    named = Table(name="t", caption="", columns=("a", "b"), rows=((LONG, "short"),))
    assert publication.long_columns(named) == ()


def test_a_table_without_rows_has_no_long_texts() -> None:
    empty = Table(name="t", caption="", columns=("a", "b"), rows=())
    assert publication.long_columns(empty) == ()
    assert not publication.too_wide_for_a_phone(empty)


def test_on_paper_a_long_text_stands_below_its_row_and_empty_columns_are_left_out() -> None:
    from reportlib.publish.paper import laid_out

    laid = laid_out(CAUSES)
    assert laid["columns"] == ["cause", "how sure", "what would settle it"]
    assert laid["across"] == 3
    first, second = laid["rows"]
    assert first["below"] == [("for", LONG)]
    assert second["below"] == [("for", "The loss is the same everywhere.")]
    assert [len(row["rest"]) for row in laid["rows"]] == [2, 2]
    assert not re.search(r"against", str(laid))
