"""The report as Markdown: safe and the same, whoever reads it."""

import re

import mistune
import pytest
from full_report import full_notebook, shown
from hostile import ATTACKS, Reader
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from mistune.plugins.table import table as mistune_table
from nbformat import v4
from sample_notebook import (
    narrative_cell,
    notebook_of,
    report_of_words,
    sample_notebook,
)

from reportlib.publish.outputs import pictures, report_markdown
from reportlib.publish.plain import escaped, line_markdown, to_markdown
from reportlib.publish.prose import Outline, plain_text, read_line, read_prose, readable
from reportlib.write.shown import Picture, Table

COMMON_MARK = MarkdownIt("commonmark", {"html": True}).enable("table")
"""A second reader, of other authors than the one that `markup` uses; raw HTML let through."""


read_by_mistune = mistune.create_markdown(escape=False, plugins=[mistune_table])

READERS = [COMMON_MARK.render, read_by_mistune]


def harm(html):
    """What would act or load, apart from pictures beside the text."""
    beside = re.compile(r"img loads figures/[a-z0-9_-]+(\.[a-z]+)?$")
    return [found for found in Reader(html).harm if not beside.match(found)]


def elements(html):
    return [tag for tag, _ in Reader(html).elements]


@pytest.fixture(scope="module")
def harmless():
    return report_markdown(report_of_words("harmless"))


@pytest.mark.parametrize("attack", ATTACKS)
def test_an_attack_stays_words_whoever_reads_it(attack, harmless):
    attacked = report_markdown(report_of_words(attack))
    assert "{{" not in attacked
    assert "{%" not in attacked
    for read in READERS:
        html = read(attacked)
        assert harm(html) == []
        assert elements(html) == elements(read(harmless))


@pytest.mark.parametrize("read", READERS)
def test_a_narrative_full_of_attacks_becomes_no_code(read):
    cells = [v4.new_markdown_cell(f"{attack}\n\n- {attack}\n\n> {attack}") for attack in ATTACKS]
    nb = notebook_of(*cells, verdict=" ".join(ATTACKS))
    markdown = report_markdown(nb)
    assert harm(read(markdown)) == []
    assert "{{" not in markdown
    assert "{%" not in markdown


@given(
    st.one_of(
        st.text(max_size=60),
        st.text(alphabet=st.sampled_from('#[]()!|<>*_`~-=+\\"$@&:;/ .1ax{}%^\n'), max_size=40),
    )
)
def test_any_words_read_back_as_themselves(words):
    said = " ".join(readable(words).split())
    for token in COMMON_MARK.parse(str(escaped(words))):
        assert token.type in ("paragraph_open", "inline", "paragraph_close")
        for child in token.children or ():
            assert child.type == "text"
    html = COMMON_MARK.render(str(escaped(words)))
    assert " ".join("".join(Reader(html).words).split()) == said


@given(st.text(alphabet=st.sampled_from('#[]()!|<>*_`~-=+\\"$@&:;/ .1ax{}%^\n'), max_size=60))
def test_any_narrative_stays_harmless(soup):
    markdown = to_markdown(read_prose(soup), attachments={}, outline=Outline())
    assert harm(COMMON_MARK.render(markdown)) == []
    assert "{{" not in markdown
    assert "{%" not in markdown


def test_a_narrative_reads_the_same_in_markdown_as_it_was_written():
    prose = (
        "## Turned up\n\nThe *bass* gives **first**: 1.5 dB, see [us](https://a.example/x_(y)).\n\n"
        "- one\n- two\n\n  still two\n\n3. three\n4. four\n\n> said\n> so\n\n`code` and\\\nmore\n\n"
        "```\nline\n\n  indented\n```\n\n| a | b |\n|---|--:|\n| 1 | 2 |\n\n---\n"
    )
    written = to_markdown(read_prose(prose), attachments={}, outline=Outline())

    def settled(html):
        return re.sub(r"\s+", " ", html).replace("%28", "(").replace("%29", ")")

    assert settled(COMMON_MARK.render(written)) == settled(COMMON_MARK.render(prose))


def test_a_sentence_stays_a_sentence():
    verdict = read_line("It falls [−2.9 dB](#fact-a) short, *at 96 dB*.")
    assert line_markdown(verdict) == "It falls −2.9 dB short, *at 96 dB*."
    assert "It falls" in plain_text(verdict)


def test_everything_of_the_report_is_there_in_its_order():
    found = Reader(COMMON_MARK.render(report_markdown(full_notebook())))
    files = pictures(full_notebook())
    shown_pictures = [one for one in shown() if isinstance(one, Picture)]
    images = [attributes for tag, attributes in found.elements if tag == "img"]
    assert [(one["src"], one["alt"]) for one in images] == [
        (f"figures/{one.name}.png", one.alt) for one in shown_pictures
    ]
    assert all(one["src"] in files for one in images)
    words = " ".join("".join(found.words).split())
    place = -1
    for one in shown():
        assert words.index(" ".join(one.caption.split())) > place
        place = words.index(" ".join(one.caption.split()))
    tables = [one for one in shown() if isinstance(one, Table)]
    cells = sum(len(one.columns) * (1 + len(one.rows)) for one in tables)
    assert sum(tag in ("th", "td") for tag, _ in found.elements) == cells + 2 * 3  # and the prose's
    for tag, attributes in found.elements:
        assert not {"class", "id"} & set(attributes), tag


def test_pasted_pictures_lie_beside_the_texts():
    nb = sample_notebook()
    assert "![The set-up](figures/pasted-1.png)" in report_markdown(nb)
    assert "figures/pasted-1.png" in pictures(nb)


def test_code_that_a_template_language_would_run_is_written_as_words():
    cell = narrative_cell("`{{ x }}` and `safe` and\n\n```\n{% raw %}\n```", slot="why")
    markdown = report_markdown(notebook_of(cell))
    assert "`safe`" in markdown
    assert "&#123;&#123; x &#125;&#125;" in markdown
    assert "{" not in markdown
