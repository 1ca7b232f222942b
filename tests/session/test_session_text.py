"""``session.toml`` written back: the same facts, read again."""

import math
from dataclasses import replace
from pathlib import Path

import pytest
from builders import make_session
from hypothesis import given
from hypothesis import strategies as st
from session_factory import FULL, LONG_TERM, MINIMAL

from reportlib.session.reading import read_planned_session
from reportlib.session.toml_text import session_text

SHIPPED = Path(__file__).parents[1].parent / "demo_inputs" / "trivet-6" / "session.toml"


def facts(folder, text):
    """Read `text` as session.toml, without what a change of its wording would change."""
    (folder / "session.toml").write_text(text, encoding="utf-8", newline="\n")
    return replace(read_planned_session(folder), digests={})


@pytest.mark.parametrize("text", [MINIMAL, MINIMAL + LONG_TERM, FULL])
def test_facts_survive_writing(tmp_path, text):
    session = facts(tmp_path, text)
    assert facts(tmp_path, session_text(session, heading="once\n\nmore")) == session


def test_facts_made_by_keyword_survive_writing(tmp_path):
    made = make_session()
    rig = replace(made.rig, reference_at="terminals")
    session = replace(made, folder=str(tmp_path), rig=rig)
    assert facts(tmp_path, session_text(session, heading="")) == session


def test_the_shipped_session_comes_back_letter_by_letter(tmp_path):
    text = SHIPPED.read_text("utf-8")
    heading = "\n".join(row.removeprefix("# ") for row in text.partition("\n\n")[0].splitlines())
    assert session_text(facts(tmp_path, text), heading=heading) == text


KEPT = st.recursive(
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text('ab \x7f."', max_size=3), inner)
    ),
    max_leaves=6,
)
NEEDLESS = (
    "date", "use", "crossovers_hz", "serial", "settings", "rated_", "maximum_", "sensitivity_db",
    "tuning_hz", "volume_at", "temperature_c", "humidity", "equipment", "microphone_c",
    "drive_tolerance", "channels", "microphone =", "voltage", "current", "stimulus = \"stimulus/s",
    "smoothing", "snr", "at =", "input_gain_db", "sweep_drive_db", "stress =",
    "pause_u_s", "rest_s",
)  # fmt: skip
LEFT_OUT = [
    number for number, row in enumerate(FULL.split("\n")) if row.strip().startswith(NEEDLESS)
]


@given(
    left_out=st.sets(st.sampled_from(LEFT_OUT)),
    kept=st.dictionaries(st.text("a-é \x7f", max_size=4).map("x_{}".format), KEPT, max_size=3),
    place=st.sampled_from(["", "rig", "noise", "short_term.2", "baseline_again.1", "long_term.1",
                           "long_term.1.stage.2"]),
)  # fmt: skip
def test_any_facts_and_whatever_is_kept_survive_writing(tmp_path_factory, left_out, kept, place):
    folder = tmp_path_factory.mktemp("written")
    rows = [row for number, row in enumerate(FULL.split("\n")) if number not in left_out]
    session = facts(folder, "\n".join(rows))
    if kept:
        session = replace(session, kept={place: kept} if place else kept)
    assert facts(folder, session_text(session, heading="")) == session


def test_no_number_is_kept_as_none(tmp_path):
    session = facts(tmp_path, "x_n = [nan, inf, -inf]\n" + MINIMAL)
    one, two, three = facts(tmp_path, session_text(session, heading="")).kept["x_n"]
    assert math.isnan(one)
    assert (two, three) == (math.inf, -math.inf)
