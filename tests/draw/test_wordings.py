"""A tester's own wordings: what a file of them may hold, where it may lie, what it leaves out."""

import re

import pytest
import side_by_side
from builders import make_analysis
from session_factory import write_session

from reportlib.draw import figures
from reportlib.draw.wordings import in_words, left_out, narrative_templates, own_words
from reportlib.errors import RenderError
from reportlib.many import figures as beside_figures
from reportlib.write.writer import worded

HOLDS = "{% block holds %}\nUp to {{ level }}, {{ name }} did all I asked.\n{% endblock %}\n"
FILE = "in-short.md.j2"


@pytest.fixture
def session(tmp_path):
    return write_session(tmp_path / "days" / "marram-12")


def put(folder, text=HOLDS, *, name=FILE):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return folder


def refused(session, *, words="../mine"):
    with pytest.raises(RenderError) as error:
        own_words(session, words=words)
    line = str(error.value)
    assert "\n" not in line
    return line


def test_a_block_of_theirs_is_said_and_the_rest_is_ours(session):
    put(session.parent / "mine")
    templates = narrative_templates(own_words(session, words="../mine"))
    assert worded(templates, "in-short/holds", name="Trivet 6", level="84 dB") == (
        "Up to 84 dB, Trivet 6 did all I asked."
    )
    values = {"where": "In the bass", "why": "noise"}
    ours = worded(narrative_templates(), "in-short/rest-untold", **values)
    assert worded(templates, "in-short/rest-untold", **values) == ours


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_files_of_any_editor_are_read(session, end):
    path = put(session.parent / "mine") / FILE
    path.write_bytes(b"\xef\xbb\xbf" + HOLDS.replace("\n", end).encode())
    templates = narrative_templates(own_words(session, words="../mine"))
    assert worded(templates, "in-short/holds", name="a", level="b") == "Up to b, a did all I asked."


@pytest.mark.parametrize(
    ("file", "text", "told"),
    [
        ("in_short.md.j2", HOLDS, "'in-short.md.j2'"),
        ("comparison/in-shirt.md.j2", HOLDS, "'comparison/in-short.md.j2'"),
        (FILE, "\n{% block hold %}{% endblock %}", "line 2: there is no block 'hold'. .*'holds'"),
        (FILE, "{% block holds %}\n{{ lvel }}{% endblock %}", "line 2: .*'lvel'. .*'level'"),
        (FILE, "{% block holds %}{{ self }}{% endblock %}", "no value 'self'"),
        (FILE, HOLDS + HOLDS, "line 4: block 'holds' stands here again"),
        (FILE, HOLDS + "\n\nfor later", "line 6: this stands outside of a block"),
        (FILE, "{{ level }}", "line 1: this stands outside of a block"),
        (FILE, "{% block holds %}", "line 1: .*[Uu]nexpected end"),
        (FILE, "{% block holds %}\n{% play %}{% endblock %}", "line 2: .*unknown tag 'play'"),
        (FILE, "{% block holds %}{{ level }", "line 1: unexpected '}'"),
        (FILE, "\xe9".encode("latin-1"), "it is not UTF-8"),
    ],
)  # fmt: skip
def test_what_is_no_wording_is_one_line_with_the_nearest_name(session, file, text, told):
    folder = put(session.parent / "mine", name=file, text="")
    (folder / file).write_bytes(text if isinstance(text, bytes) else text.encode())
    line = refused(session)
    assert file in line
    assert re.search(told, line), line


@pytest.mark.parametrize(
    "logic",
    [
        "{{ level|upper }}", "{{ level() }}", "{{ level.x }}", "{{ level['x'] }}", "{{ 1 + 1 }}",
        "{{ 'x' * 999999999 }}", "{{ level if name }}", "{{ 'text' }}", "{{ [level] }}",
        "{% if level %}{% endif %}", "{% for one in level %}{% endfor %}", "{% set name = 1 %}",
        "{% include 'care.md.j2' %}", "{% import 'care.md.j2' as care %}",
        "{% block at %}{% endblock %}", "{% macro x() %}{% endmacro %}", "{{ level or name }}",
        "{{ " + "(" * 5000 + "level" + ")" * 5000 + " }}", "{{ level" + ".x" * 5000 + " }}",
        "{% filter upper %}x{% endfilter %}", "{{ " + "9" * 5000 + " }}",
    ],
)  # fmt: skip
@pytest.mark.parametrize("inside", [True, False])
def test_nothing_but_text_and_values_is_understood(session, logic, inside):
    text = f"{{% block holds %}}\n{logic}\n{{% endblock %}}" if inside else f"\n{logic}"
    put(session.parent / "mine", text)
    if logic.startswith("{% block") and not inside:
        assert own_words(session, words="../mine")
        return
    assert f"{FILE}, line " in refused(session)


def test_a_folder_beside_the_session_is_found_and_need_not_be_wordings(session):
    assert own_words(session, words=None) == {}
    (session.parent / "words").mkdir()
    (session.parent / "words/notes.txt").write_text("for the library")
    assert own_words(session, words=None) == {}
    put(session.parent / "words")
    assert own_words(session, words=None).keys() == {"in-short"}
    assert own_words(session, words="") == {}


def test_a_folder_that_is_named_holds_wordings(session):
    assert "holds no wordings" in refused(session)
    (session.parent / "mine").mkdir()
    assert "holds no wordings" in refused(session)
    assert "holds no wordings" in refused(session, words="/")


@pytest.mark.parametrize("words", ["a\0b", "\ud800", "n" * 5000])
def test_a_path_that_can_not_be_is_one_line(session, words):
    refused(session, words=words)


def test_a_folder_in_a_session_is_refused_also_through_a_link(session):
    inside = put(session / "mine")
    outside = put(session.parent / "mine")
    (session.parent / "words").symlink_to(inside)
    (session / "out-of-it").symlink_to(outside)
    (session.parent / "same-day").symlink_to(session)
    other = write_session(session.parent.parent / "others" / "trivet-6")
    put(other / "words")
    for words in (
        "mine", ".", "../marram-12/mine", "../words", "out-of-it", "../same-day/out-of-it", None,
        str(inside), "../../others/trivet-6/words",
    ):  # fmt: skip
        assert "lies in a session's folder" in refused(session, words=words), words
    assert own_words(session, words="../mine")


def test_a_file_that_is_a_link_out_of_the_folder_is_not_read(session):
    put(session, name="secret")
    (session.parent / "mine").mkdir()
    (session.parent / "mine" / FILE).symlink_to(session / "secret")
    assert "a link that leaves the folder" in refused(session)


def test_figures_and_their_alternative_texts_are_said_in_their_words(session):
    caption = "{% block caption_level_ladder %}{{ interval }} {{ untold }} Boxes.{% endblock %}"
    alt = "{% block alt_level_ladder %}A ladder of {{ bands }}.{% endblock %}"
    put(session.parent / "mine", caption + alt)
    own = own_words(session, words="../mine")
    shown = in_words(figures, own=own).level_ladder(make_analysis())
    assert shown.caption.endswith("Boxes.")
    assert shown.alt == "A ladder of 5 bands."
    assert in_words(figures, own={}) is figures
    with pytest.raises(AttributeError, match=r"figures\.level_ladder"):
        _ = in_words(figures, own=own).asked_and_given


def test_so_are_those_of_a_comparison(session):
    text = "{% block caption_beside_limits %}Strokes. {{ behind }} {{ scales }}{% endblock %}"
    put(session.parent / "mine", text, name="comparison/numbers.md.j2")
    own = own_words(session, words="../mine")
    shown = in_words(beside_figures, own=own)
    assert shown.beside_limits(side_by_side.comparison("one in a room")).caption.startswith(
        "Strokes."
    )


def test_what_theirs_leave_out_is_told():
    maybe = "{% block maybe_not_even %}\n{{ name }} fails at {{ level }}\n{% endblock %}\n"
    untold = "{% block untold %}Don't ask: {{ name }}, {{ why }}{% endblock %}"
    assert left_out({"in-short": HOLDS}) == ()
    assert left_out({"in-short": HOLDS.replace("{{ name }}", "it")}) == (
        "in-short.md.j2, line 1: block 'holds' leaves out {{ name }}, which ours says.",
    )
    assert ["“may”" in line for line in left_out({"in-short": maybe})] == [True]
    assert left_out({"in-short": maybe.replace("fails", "might fail")}) == ()
    assert ["“can't”" in line for line in left_out({"in-short": untold})] == [True]
    assert left_out({"in-short": untold.replace("Don't ask", "I can’t tell")}) == ()
