import json
import re

import pytest
import typst
from hostile import ATTACKS
from hypothesis import example, given
from hypothesis import strategies as st

from reportlib.publish.prose import Outline, read_line, read_prose, readable
from reportlib.publish.typeset import to_typst, typst_string

_LITERAL = re.compile(r'"(?:[^"\\]|\\.)*"')


def source(text, *, targets=(), attachments=None):
    return to_typst(
        read_prose(text), targets=targets, attachments=attachments or {}, outline=Outline()
    )


def skeleton(typ):
    """The source with every string literal emptied: all that typst reads as code."""
    return _LITERAL.sub('""', typ)


def literals(typ):
    return "".join(
        re.sub(r"\\(.)", lambda m: {"n": "\n"}.get(m[1], m[1]), literal[1:-1])
        for literal in _LITERAL.findall(typ)
    )


def read_by_typst(expression):
    """What typst itself makes of an expression."""
    document = f"#metadata({expression})<it>".encode()
    return json.loads(typst.query(document, "<it>", field="value", one=True))


@given(st.text(max_size=60))
def test_typst_reads_a_literal_back_as_the_text_it_was(text):
    assert read_by_typst(typst_string(text)) == readable(text)


@pytest.mark.parametrize("attack", ATTACKS)
def test_typst_reads_an_attack_back_as_text(attack):
    assert read_by_typst(typst_string(attack)) == readable(attack)


@example("---")
@given(st.text(alphabet=st.sampled_from("#[](){}\"'\\$*_`<>@~=-+/:;,.!&| \n\tax1"), max_size=60))
def test_outside_literals_stands_only_what_this_program_wrote(soup):
    code = skeleton(source(soup))
    calls = (
        "emph strong strike sub super raw link label box image linebreak heading quote list enum "
        "table metadata pdf line"
    )
    without_calls = re.sub(rf"#({calls.replace(' ', '|')})\b", "#", code)
    leftover = re.sub(
        r"\.artifact\(line\(length: 100%, stroke: 0\.5pt\)\)"
        r"|(block|level|tight|start|columns|align|alt): "
        r"|\b(true|false|left|right|center|start|none|table\.header|label|image)\b|\d+",
        "",
        without_calls,
    )
    assert set(leftover) <= set('#[](){};,": \n')


@given(st.lists(st.from_regex(r"[^\W_]{1,12}", fullmatch=True), min_size=1, max_size=12))
def test_plain_words_arrive_as_they_were_typed(words):
    sentence = "It says " + " ".join(words)
    assert literals(source(sentence)).replace("\u00a0", " ") == sentence


def test_marks_of_typst_are_text():
    text = "#eval(1) $x$ @ref = no heading"
    assert source(text).strip() == f'#"{text}";'


def test_a_quoted_fact_is_its_value_and_a_link_where_its_row_is_printed():
    assert source("[−1.5 dB](#fact-a)").strip() == '#box[#"−1.5\u00a0dB";];'
    linked = source("[−1.5 dB](#fact-a)", targets={"fact-a"}).strip()
    assert linked == '#link(label("fact-a"))[#box[#"−1.5\u00a0dB";];];'


def test_a_number_stays_with_its_unit():
    assert source("asked for 92 dB at 1 kHz, 95 % of 3 men").strip() == (
        '#"asked for 92\u00a0dB at 1\u00a0kHz, 95\u00a0% of 3 men";'
    )


def test_only_web_and_mail_addresses_become_links():
    assert "#link(" in source("[a](https://a.example)")
    assert "#link(" in source("[a](mailto:b@a.example)")
    for address in ("javascript:x", "file:///etc/passwd", "data/x.csv", "//a.example", "#gone"):
        assert "#link(" not in source(f"[a]({address})"), address


def test_pictures_come_from_attachments_alone():
    shown = source("![rig](attachment:a%20b.png)", attachments={"a b.png": "pasted-1.png"})
    assert shown.strip() == '#box(image("pasted-1.png", alt: "rig"));'
    assert "image(" not in source("![rig](/etc/passwd) ![r](attachment:../x.png)")
    assert '#link("https://a.example/b.png", "rig");' in source("![rig](https://a.example/b.png)")


def test_headings_never_skip_and_never_stand_empty():
    depths = re.findall(r"heading\(level: (\d)\)", source("# A\n\n#### B\n\n##\n\n## `C`\n\n### D"))
    assert depths == ["1", "2", "1", "2"]


def test_lists_tables_and_quotes_keep_their_form():
    typ = source("3. x\n4. y\n\n- z\n\n> q\n\n| a | b |\n|:--|--:|\n| c | d |\n\n```\n#e\n```")
    assert '#enum(tight: true, start: 3)[#"x";][#"y";];' in typ
    assert '#list(tight: true)[#"z";];' in typ
    assert '#quote(block: true)[#"q";' in typ
    assert (
        '#table(columns: 2, align: (left, right,), table.header[#"a";][#"b";])[#"c";][#"d";];'
        in typ
    )
    assert '#raw("#e", block: true);' in typ


def test_raw_html_leaves_its_words():
    typ = source(
        'H<sub>2</sub>O <script>x()</script>a<br>b\n\n<div onclick="x">in a &lt; box</div>'
    )
    assert '#"H";#sub[#"2";];#"O ";#"a";#linebreak();#"b";' in typ
    assert '#"in a < box";' in typ


def test_entities_are_the_letters_they_stand_for():
    assert source("a &amp; b &lt;c&gt; &minus;1").strip() == '#"a & b <c> −1";'


def test_a_line_is_no_block():
    typ = to_typst(read_line("# a\n- b"), targets=(), attachments={}, outline=Outline())
    assert typ == '#"# a - b";'
