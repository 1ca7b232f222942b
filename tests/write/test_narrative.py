"""Drafts: every kind of day gets words that its data carry, and the wordings decide nothing."""

import functools
import importlib
import json
import re
from dataclasses import replace
from pathlib import Path

import jinja2
import numpy as np
import pytest
import side_by_side
from builders import judged, make_analysis
from full_report import full_analysis

from reportlib.draw.wordings import narrative_templates, slots
from reportlib.judge.grades import grade_of
from reportlib.session import files
from reportlib.session.parameters import checked_parameters
from reportlib.session.records import QualityNote
from reportlib.write import facts, report, writer
from reportlib.write import quotes as write_quotes

PARAMETERS = checked_parameters(session=".")


def drafts(analysis):
    return report.draft(
        analysis,
        facts=facts.collect(analysis),
        templates=narrative_templates(),
        parameters=PARAMETERS,
    )


def no_change(frequency_hz, rise_db):
    return np.zeros_like(frequency_hz)


def bump(frequency_hz, centre_hz, *, octaves):
    return np.exp(-0.5 * (np.log2(frequency_hz / centre_hz) / octaves) ** 2)


def port(frequency_hz, rise_db):
    return -5.0 * (rise_db / 27.0) ** 2 * bump(frequency_hz, 60.0, octaves=0.8)


def everything(frequency_hz, rise_db):
    return np.full_like(frequency_hz, -4.0 * (rise_db / 27.0) ** 3)


def swelling(frequency_hz, rise_db):
    return 3.0 * (rise_db / 27.0) ** 2 * bump(frequency_hz, 300.0, octaves=0.5)


def spike(frequency_hz, rise_db):
    return -3.0 * (rise_db / 27.0) ** 2 * bump(frequency_hz, 1000.0, octaves=0.05)


ALL_NOISE = dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 20000.0)
DAYS = {
    "holds": {"change": no_change, "warming": lambda f, r, s: np.zeros_like(f)},
    "port": {"change": port},
    "everything": {"change": everything},
    "swelling": {"change": swelling},
    "spike": {"change": spike},
    "bass untold": {"noise_below_hz": dict.fromkeys(ALL_NOISE, 150.0), "change": no_change},
    "nothing told": {"noise_below_hz": ALL_NOISE},
    "short gate": {"gate_s": 0.005, "change": port},
    "one level": {"levels_db": (78.0,), "change": no_change},
    "no long-term": {"long_term_levels_db": ()},
    "unmeasured steps": {"measured_steps": False},
    "wide intervals": {"u95_db": 0.4, "band_u95_db": 1.4},
}


@pytest.mark.parametrize("day", DAYS)
def test_every_day_gets_a_draft_for_every_slot(day):
    found = drafts(make_analysis(**DAYS[day]))
    assert tuple(found) == report.SLOTS
    for text in found.values():
        assert text.startswith("## ")
        body = text.split("\n", 1)[1].strip()
        assert len(body.split()) >= 8  # no empty section
        assert "{{" not in text
        assert "None" not in text
        assert not re.search(r"\bnan\b", text.lower())
        assert not re.search(r"(?<![\w(])-\d", text)  # true minus signs only
        assert "  " not in body
        assert ". ." not in body


@pytest.mark.parametrize("day", DAYS)
def test_every_quoted_fact_exists_and_is_written_as_it_is(day):
    analysis = make_analysis(**DAYS[day])
    known = facts.collect(analysis)
    quotes = [
        found for text in drafts(analysis).values()
        for found in re.findall(r"\[([^\]]+)\]\(#fact-([^)]+)\)", text)
    ]  # fmt: skip
    assert quotes
    for text, name in quotes:
        # a loss is said without its sign; the first of two numbers leaves the unit to the second
        shown = write_quotes.written(known[name]).removeprefix("−")
        assert text.removeprefix("−") in (shown, shown.removesuffix(f" {known[name].unit}"))


@pytest.mark.parametrize("day", DAYS)
def test_measured_numbers_are_quoted_never_typed(day):
    """A decimal number of decibels that is not a quote can only be one of the fixed limits."""
    for text in drafts(make_analysis(**DAYS[day])).values():
        bare = re.sub(r"\[[^\]]+\]\(#fact-[^)]+\)", "", text)
        assert set(re.findall(r"(\d+\.\d+) dB", bare)) <= {"0.5", "1.5"}


def test_a_loss_that_is_largest_at_a_bands_end_is_no_peak_there():
    """At 700 Hz lies the loss; the low mids end at 500 Hz, on its flank."""
    day = make_analysis(change=lambda f, rise: -0.2 * rise * bump(f, 700.0, octaves=0.6))
    text = drafts(day)["turned-up"]
    assert re.search(r"low mids .*near the band’s upper end, \[490 Hz\]", text)
    assert re.search(r"the mids .*near \[[67]\d\d Hz\]", text)


def at_the_edge(mean_db, u95_db, *, bands=("bass",)):
    """Return a day on which bands lose so much at 99 dB, and nothing else is lost."""
    day = make_analysis(change=no_change, warming=DAYS["holds"]["warming"])
    grade, may_be = grade_of(mean_db, mean_db, mean_u95_db=u95_db, worst_u95_db=u95_db)
    return replace(
        day,
        bands=tuple(
            replace(one, mean_db=mean_db, worst_db=mean_db, u95_db=u95_db, grade=grade,
                    grade_may_be=may_be)
            if one.test == "short_term" and one.level_db == 99.0 and one.band in bands
            else one
            for one in day.bands
        ),
    )  # fmt: skip


@pytest.mark.parametrize("bands", [("bass",), ("bass", "treble")])
def test_across_the_edge_of_a_rule_words_differ_by_may(bands):
    """Half a decibel is named: by 0.0001 dB surely, and by as little not."""
    surely, maybe = (drafts(at_the_edge(-0.5439, u95, bands=bands)) for u95 in (0.0438, 0.0442))
    assert "may slip" in maybe.pop("in-short")
    assert "may" not in surely.pop("in-short")
    assert re.search("slips?, by", surely.pop("turned-up"))
    assert "may slip." in maybe.pop("turned-up")  # what may be has no number
    for slot in surely:
        for may, certain in (
            ("may be missing", "is missing"),
            ("may arrive", "arrives" if len(bands) == 1 else "arrive"),
            ("may fall behind", "falls behind" if len(bands) == 1 else "fall behind"),
        ):
            maybe[slot] = maybe[slot].replace(may, certain)
        assert maybe[slot] == surely[slot]


def test_bands_whose_intervals_overlap_are_put_in_no_order():
    day = at_the_edge(-2.0, 0.1, bands=("bass", "mids"))
    bands = [
        replace(one, mean_db=-2.05) if one.band == "mids" and one.mean_db == -2.0 else one
        for one in day.bands
    ]
    text = drafts(replace(day, bands=tuple(bands)))["in-short"]
    assert re.search(r"at 99 dB its bass and mids fall short, by \[2\.0 dB\]", text)
    assert text.count("2.") == 1


def test_what_can_not_be_told_is_not_said_to_hold():
    text = drafts(make_analysis(**DAYS["nothing told"]))
    assert not re.search("holds?", text["turned-up"])


def test_a_gate_is_named_as_the_reason_where_it_is():
    text = drafts(make_analysis(**DAYS["short gate"]))["turned-up"]
    assert "the gate resolves nothing below" in text


def test_without_a_long_term_test_nothing_is_said_about_heat():
    text = drafts(make_analysis(**DAYS["no long-term"]))
    assert "It was not left playing" in text["left-playing"]
    assert "Left playing" not in text["in-short"]
    assert "after the stress" not in text["why"]


def test_a_hostile_name_stays_text():
    name = "<b>[Trivet](javascript:x)</b> `6` *7*"
    text = drafts(make_analysis(name=name))["in-short"]
    assert r"\<b\>\[Trivet\](javascript:x)\</b\> \`6\` \*7\*" in text


SLOTS = slots()


@pytest.mark.parametrize("slot", SLOTS)
def test_every_wording_is_used_by_the_code(slot):
    """And it only places what it is given: `slots` reads no file that does more."""
    package = Path(writer.__file__).parents[1]
    rooms = ("write", "draw", "many")
    source = "".join(
        one.read_text("utf-8") for room in rooms for one in package.glob(f"{room}/*.py")
    )
    for block in SLOTS[slot]:
        name = block.replace("_", "-")
        # a wording is named whole, or chosen among names of its slot
        whole = f"{slot}/{name}"
        assert name == "page" or whole in source or f'"{name}"' in source, whole


def shown_by(notebook):
    """Return the module and the function of each cell that shows one of ours."""
    found = []
    for cell in json.loads((files.notebooks_folder() / notebook).read_text("utf-8"))["cells"]:
        call = re.fullmatch(r"(figures|tables)\.(\w+)\(\w+\)", "".join(cell["source"]))
        found += [call.groups()] if call and call[2] != "cause" else []  # it shows another's
    return found


SHOWN = [
    *(("", "draw", *one) for one in shown_by("compression.ipynb")),
    *(("comparison/", "many", *one) for one in shown_by("comparison.ipynb")),
]


@pytest.mark.parametrize(("kind", "room", "module", "function"), SHOWN)
def test_captions_and_alternative_texts_are_wordings(kind, room, module, function):
    """Code puts nothing to them, and what it hands in for them to place is text."""

    def said(wording, **values):
        assert all(isinstance(value, str) for value in values.values())
        return f"<{wording}>"

    show = getattr(importlib.import_module(f"reportlib.{room}.{module}"), function)
    shown = show(company() if kind else whole(), said=said)
    block = function.replace("_", "-")
    found = re.fullmatch(f"<({kind}[a-z-]+)/caption-{block}(-assumed)?>", shown.caption)
    assert found
    if module == "figures":
        assert shown.alt == f"<{found[1]}/alt-{block}>"


@functools.cache
def whole():
    note = QualityNote(code="clipped", severity="warning", capture="a", message="It clipped.")
    return replace(judged(full_analysis()), quality=(note,))


@functools.cache
def company():
    return side_by_side.comparison("one in a room")


def test_an_empty_value_leaves_no_gap():
    loader = jinja2.DictLoader(
        {"slot.md.j2": "{% block one %}{{ a }} b {{ c }} {{ d }}.{% endblock %}"}
    )
    templates = jinja2.Environment(loader=loader, autoescape=False)
    assert writer.worded(templates, "slot/one", a="", c="", d="") == "b."
    assert writer.worded(templates, "slot/one", a="a", c="", d="d") == "a b d."
