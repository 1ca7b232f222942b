import re

import pytest
from hostile import ATTACKS, Reader
from hypothesis import given
from hypothesis import strategies as st

from reportlib.publish.prose import Outline, plain_text, read_line, read_prose, readable, to_html

NOTHING: dict[str, str] = {}


def page(text, *, targets=NOTHING, attachments=NOTHING, first_heading=2):
    return to_html(
        read_prose(text),
        targets=targets,
        attachments=attachments,
        outline=Outline(),
        first_heading=first_heading,
    )


@pytest.mark.parametrize("attack", ATTACKS)
def test_an_attack_in_a_cell_becomes_neither_code_nor_a_load(attack):
    found = Reader(page(f"Before {attack} after.\n\n{attack}\n\nThe end."))
    assert found.harm == []
    assert found.unbalanced == []
    assert not {"style", "title", "svg", "meta"} & {tag for tag, _ in found.elements}


@pytest.mark.parametrize("attack", ATTACKS)
def test_an_attack_in_the_verdict_becomes_neither_code_nor_a_load(attack):
    html = to_html(read_line(attack), targets={}, attachments={}, outline=Outline())
    found = Reader(html)
    assert found.harm == []
    assert found.unbalanced == []


@given(st.text(alphabet=st.sampled_from("<>&\"'`#[]()!-=/*_~|:\\ \n\tax1ij\x00"), max_size=80))
def test_any_soup_of_marks_gives_balanced_harmless_html(soup):
    found = Reader(page(soup))
    assert found.harm == []
    assert found.unbalanced == []


@given(st.lists(st.from_regex(r"[^\W_]{1,12}", fullmatch=True), min_size=1, max_size=12))
def test_plain_words_arrive_as_they_were_typed(words):
    sentence = "It says " + " ".join(words)
    assert Reader(page(sentence)).text.strip() == sentence
    assert plain_text(read_prose(sentence)) == sentence


def test_a_quoted_fact_links_to_its_row_where_there_is_one():
    html = page("It is [−1.5 dB](#fact-a.b) down.", targets={"fact-a.b": "upheld-x-fact-a.b"})
    assert '<a href="#upheld-x-fact-a.b" class="fact">−1.5&nbsp;dB</a>' in html


def test_a_quoted_fact_without_a_row_leaves_its_value_alone():
    html = page("It is [−1.5 dB](#fact-a.b) down.")
    assert html == '<p>It is <span class="fact">−1.5&nbsp;dB</span> down.</p>\n'


@pytest.mark.parametrize(
    "address", ["ftp://a.example", "file:///etc/passwd", "//a.example", "/etc", "x:y", "tel:1"]
)
def test_addresses_of_other_kinds_leave_their_words(address):
    assert page(f"[words]({address})") == "<p>words</p>\n"


LEADS_AWAY = (
    *(
        "//a.example/x",
        "/\\a.example",
        "\\\\a.example",
        "\\/a.example",
        "///a.example",
        "./\\a.example",
    ),
    *("/\t/a.example", "\t//a.example", " //a.example", "//\ta.example", "/\n/a.example"),
    *(
        "&#x2F;/a.example",
        "/&sol;a.example",
        "&Tab;//a.example",
        "%2f%2fa.example",
        "/%09/a.example",
    ),
    *("https:a.example", "https:/a.example", "https:\\\\a.example", "http:\\/a.example"),
    *("java\tscript:alert(1)", "java\nscript:alert(1)", "JaVaScRiPt:alert(1)"),
    *("&#106;avascript:alert(1)", "java&Tab;script:alert(1)", "javascript&colon;alert(1)"),
    *("\x01javascript:alert(1)", "javascript%3aalert(1)", "data:text/html,x", "blob:x"),
    *("/etc", "?x", "ftp://a.example", "attachment:a"),
)


@pytest.mark.parametrize("address", LEADS_AWAY)
@pytest.mark.parametrize(
    "form",
    [
        "[words](<{}>)",
        '<a href="{}">words</a>',
        '<div><a href="{}">words</a></div>\n',
        "<ul>\n<li><A title=x HREF='{}'>words</A></ul>\n",
    ],
)
def test_an_address_that_leads_elsewhere_is_dropped_in_whatever_form_it_was_typed(form, address):
    html = page(form.format(address))
    assert "href=" not in html
    assert "words" in html


@pytest.mark.parametrize(
    "address",
    ["data/compression.csv", "a b.csv", "../x.html", "https://a.example/?b#c", "mailto:a@b.c"],
)
def test_an_address_that_may_be_linked_is_kept_in_whatever_form_it_was_typed(address):
    written = address.replace(" ", "%20")
    for form in ("[words]({})", '<a href="{}">words</a>', '<div><a href="{}">words</a></div>\n'):
        assert f'<a href="{written}">words</a>' in page(form.format(written))


def test_a_file_beside_the_report_can_be_linked():
    assert '<a href="data/compression.csv">' in page("[data](data/compression.csv)")


def test_raw_links_obey_the_same_rules_as_typed_ones():
    html = page(
        'See <a href="#nowhere">there</a>, '
        "<a href='https://a.example/?b=1&amp;c' target=_top>on</a>, "
        '<b id="main" class="x">x</b>.'
    )
    assert html == (
        '<p>See <span>there</span>, <a href="https://a.example/?b=1&amp;c">on</a>, '
        "<strong>x</strong>.</p>\n"
    )


def test_an_attached_picture_is_shown_by_markdown_and_by_tag():
    data = {"a b.png": "data:image/png;base64,AAAA"}
    markdown = page("![The *rig*](attachment:a%20b.png)", attachments=data)
    assert markdown == '<p><img src="data:image/png;base64,AAAA" alt="The rig"></p>\n'
    block = page('<img width="9" src="attachment:a b.png" alt="The rig">\n', attachments=data)
    assert block == markdown
    inline = page("So: <img src='attachment:a%20b.png' alt='The rig'/>", attachments=data)
    assert inline == str(markdown).replace("<p>", "<p>So: ")


def test_a_picture_from_elsewhere_becomes_a_link_and_an_unknown_one_its_words():
    html = page(
        "![a rig](https://pictures.example/rig.png) ![lost](attachment:no.png) ![x](/y.png)"
    )
    assert '<a href="https://pictures.example/rig.png">a rig</a>' in html
    assert "src=" not in html
    assert 'alt="lost"' in html


def test_headings_start_at_two_and_never_skip():
    levels = Reader(page("# A\n\n#### B\n\n###### C\n\n## D\n\n### E\n\n##\n")).headings
    assert levels == [2, 3, 4, 2, 3]


def test_raw_headings_fall_in_with_the_others():
    html = page("<h1 style='color:red'>A &amp; B</h1>\n\n<h5>C</h5>\n\n<div><h6>D</h6></div>\n")
    assert " ".join(html.split()) == "<h2>A &amp; B</h2> <h3>C</h3> <div>D</div>"


def test_headings_of_a_section_are_one_deeper():
    assert Reader(page("## A\n\n### B", first_heading=3)).headings == [3, 4]


def test_tables_scroll_by_themselves_and_keep_their_sides():
    html = page("| a | b |\n|:--|--:|\n| x | 1 |\n")
    scroll = next(attributes for tag, attributes in Reader(html).elements if tag == "div")
    assert scroll == {"class": "scroll", "role": "group", "tabindex": "0", "aria-label": "Table"}
    assert '<th scope="col" class="number">b</th>' in html
    assert '<td class="number">1</td>' in html


def test_common_raw_tags_keep_their_meaning():
    assert page("CO<sub>2</sub>, 10<sup>3</sup><br>x <b>y</b>").startswith(
        "<p>CO<sub>2</sub>, 10<sup>3</sup><br>\nx <strong>y</strong>"
    )


def test_an_unclosed_script_tag_swallows_nothing_that_was_written():
    html = page("First <script> second.\n\nThird <textarea> fourth.")
    assert "second" in html
    assert "fourth" in html


def test_emphasis_links_and_code_arrive():
    html = page("*a* **b** ~~c~~ `d<e>` [f](https://g.example/h?i=1&j=2) https://k.example/l")
    for part in (
        "<em>a</em>",
        "<strong>b</strong>",
        "<del>c</del>",
        "<code>d&lt;e&gt;</code>",
        '<a href="https://g.example/h?i=1&amp;j=2">f</a>',
        '<a href="https://k.example/l">https://k.example/l</a>',
    ):
        assert part in html


def test_the_verdict_is_one_line_whatever_is_in_it():
    html = to_html(
        read_line("# No *heading*\n\n- no list"), targets={}, attachments={}, outline=Outline()
    )
    assert html == "# No <em>heading</em> - no list"


@given(st.text(st.characters(codec=None), max_size=60))
def test_readable_text_can_be_written_as_utf8_and_has_no_control_characters(text):
    clean = readable(text)
    clean.encode()
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]", clean)
