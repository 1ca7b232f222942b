import re

import jinja2
import mistune
import nbformat
import pytest
import tinycss2
from hostile import ATTACKS, Reader
from jinja2 import nodes
from nbformat import v4
from sample_notebook import (
    make_picture,
    make_table,
    narrative_cell,
    notebook_of,
    sample_notebook,
    shown_cell,
    tiny_png,
)

from reportlib.errors import NotebookError, RenderError
from reportlib.publish import outputs
from reportlib.publish.outputs import page_html, pictures, section_html, write_outputs
from reportlib.session import files
from reportlib.session.files import notebooks_folder, templates_folder

MAKERS = [page_html, section_html]


@pytest.fixture(scope="module")
def page():
    return page_html(sample_notebook())


@pytest.fixture(scope="module")
def section():
    return section_html(sample_notebook())


def contrast(one, other):
    """Contrast ratio of two sRGB colours (WCAG 2.2, relative luminance and contrast ratio)."""

    def luminance(colour):
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def hostile_notebook():
    """Every attack in every place that a person or a file name can reach."""
    cells = [v4.new_markdown_cell(f"{attack}\n\n## {attack}\n\n- {attack}") for attack in ATTACKS]
    cells.append(narrative_cell("words", slot='in-short" onload="alert(1)'))
    everything = " ".join(ATTACKS)
    table = make_table(
        name=everything,
        caption=everything,
        columns=(everything, "b"),
        rows=tuple((attack, attack) for attack in ATTACKS),
        anchors=ATTACKS,
        numeric=(False, True),
    )
    pictures = [make_picture(attack, caption=attack, alt=attack) for attack in ATTACKS]
    return notebook_of(
        *cells,
        shown_cell(table, *pictures),
        title=everything,
        kind=everything,
        verdict=everything,
        description=everything,
        colophon=everything,
        tool_version=everything,
        language='en"><script>alert(1)</script>',
    )


@pytest.mark.parametrize("make", MAKERS)
def test_no_attack_becomes_code_or_a_load_wherever_it_stands(make):
    html = make(hostile_notebook())
    found = Reader(html)
    assert found.harm == []
    assert found.unbalanced == []
    assert sum(tag == "style" for tag, _ in found.elements) == 1
    assert sum(tag == "title" for tag, _ in found.elements) == (make is page_html)
    assert len(found.ids) == len(set(found.ids))
    html.encode()


@pytest.mark.parametrize("make", MAKERS)
def test_an_attack_changes_no_style_sheet(make):
    def styles(nb):
        return re.findall(r"<style>.*?</style>", make(nb), re.DOTALL)

    assert styles(hostile_notebook()) == styles(sample_notebook())


def test_the_page_loads_nothing_and_forbids_loading(page):
    assert Reader(page).harm == []
    policy = next(a["content"] for t, a in Reader(page).elements if "http-equiv" in a)
    assert policy.startswith("default-src 'none'")
    assert "script" not in policy
    css = "".join(re.findall(r"<style>.*?</style>", page, re.DOTALL))
    assert "url(" not in css
    assert "@import" not in css
    assert not re.search(r"https?://", re.sub(r'<a href="[^"]*"', "", page))


@pytest.mark.parametrize("make", MAKERS)
def test_elements_are_balanced_and_ids_unique_and_links_lead_somewhere(make):
    found = Reader(make(sample_notebook()))
    assert found.unbalanced == []
    assert len(found.ids) == len(set(found.ids))
    assert set(found.fragments) <= set(found.ids)


def test_the_page_has_what_readers_and_their_tools_look_for(page):
    found = Reader(page)
    tags = [tag for tag, _ in found.elements]
    assert page.startswith("<!doctype html>")
    assert dict(found.elements)["html"] == {"lang": "en"}
    assert tags.count("main") == tags.count("h1") == tags.count("title") == 1
    assert found.headings == [1, 2, 2, 3]
    metas = {a.get("name"): a.get("content") for tag, a in found.elements if tag == "meta"}
    assert metas["description"] == "How the output of Marram 12 keeps up when the volume rises."
    assert metas["generator"] == "upheld 0.1.0"
    links = [a["href"] for tag, a in found.elements if tag == "a"]
    assert links[0] == "#main"
    assert dict(found.elements)["time"] == {"datetime": "2026-05-04"}


def test_the_first_screen_comes_in_its_order(page):
    order = [
        page.index(part)
        for part in (
            '<p class="kind">Does the output keep up with the volume?</p>',
            "<h1>Marram 12</h1>",
            "4 May 2026</time>",
            '<p class="verdict">It keeps its promise',
            'id="in-short"',
            'id="figure-level-ladder"',
            'id="turned-up"',
            'id="figure-turned-up"',
            'id="table-short-term"',
            "My own note",
            'id="table-points"',
            "Made by upheld",
        )
    ]
    assert order == sorted(order)


def test_a_report_without_a_date_shows_none():
    assert "<time" not in page_html(sample_notebook(date=None))


@pytest.mark.parametrize("make", MAKERS)
def test_code_streams_and_hidden_cells_are_not_shown(make):
    html = make(sample_notebook())
    for words in ("secret_code", "a stray print", "never shown", "execution_count"):
        assert words not in html


def test_drawings_are_named_and_keep_their_letters_and_capitals(page):
    found = Reader(page)
    drawings = [attributes for tag, attributes in found.elements if tag == "svg"]
    assert [d["role"] for d in drawings] == ["img"] * 3  # one of them for phones
    assert {d["aria-label"] for d in drawings} == {make_picture().alt}
    assert page.count("<svg viewBox=") == 3
    assert "<clipPath id=" in page
    assert "−1.5</text>" in page


def test_scrolling_regions_can_be_reached_and_are_named(page):
    found = Reader(page)
    regions = [a for _, a in found.elements if "scroll" in a.get("class", "").split()]
    assert len(regions) == 2 + 2 + 1
    for region in regions:
        assert region["tabindex"] == "0"
        assert region["role"] == "group"
        assert region.get("aria-labelledby") in found.ids or region["aria-label"] == "Table"


def test_facts_lead_to_their_rows_and_others_stay_text(page):
    assert '<a href="#fact-short.bass.96.mean" class="fact">−2.9&nbsp;dB</a>' in page
    assert '<tr role="row" id="fact-short.bass.96.mean">' in page
    assert '<span class="fact">1.0&nbsp;dB</span>' in page


def test_a_row_with_two_facts_can_be_reached_by_both():
    table = make_table(rows=(("a", "b", "c", "d"),), anchors=("fact-x fact-y",))
    nb = notebook_of(narrative_cell("[1](#fact-x) [2](#fact-y)", slot="why"), shown_cell(table))
    assert set(Reader(page_html(nb)).fragments) == {"main", "fact-x", "fact-y"}


def test_folded_tables_are_closed_and_others_open(page):
    details = [a for tag, a in Reader(page).elements if tag == "details"]
    assert details == [{"id": "table-points", "class": "table"}]


def test_pasted_pictures_travel_in_the_page(page):
    (source,) = (a["src"] for tag, a in Reader(page).elements if tag == "img")
    assert source.startswith("data:image/png;base64,")


def test_the_section_is_one_element_without_a_page_around_it(section):
    found = Reader(section)
    assert found.elements[0][0] == "section"
    assert section.rstrip().endswith("</section>")
    assert not {"html", "head", "body", "main", "h1", "meta", "title"} & {
        tag for tag, _ in found.elements
    }
    assert found.headings == [2, 3, 3, 4]
    assert all(name.startswith("upheld-marram-12-") for name in found.ids)


def selectors(css):
    """Every selector of a style sheet, as tinycss2 (CSS Syntax Level 3) reads it."""
    for rule in tinycss2.parse_stylesheet(css, skip_comments=True, skip_whitespace=True):
        assert rule.type != "error", rule
        if rule.type == "qualified-rule":
            yield from _split(tinycss2.serialize(rule.prelude))
        elif rule.lower_at_keyword != "page":
            yield from selectors(tinycss2.serialize(rule.content))


def _split(prelude):
    depth, selector = 0, ""
    for letter in prelude + ",":
        depth += (letter == "(") - (letter == ")")
        if letter == "," and not depth:
            yield selector.strip()
            selector = ""
        else:
            selector += letter


def test_every_rule_of_the_section_is_held_to_its_own_class(section):
    (css,) = re.findall(r"<style>(.*?)</style>", section, re.DOTALL)
    found = list(selectors(css))
    assert len(found) > 60
    assert [s for s in found if not s.startswith(".upheld-report:not(#_#_#_)")] == []
    assert "@page" not in css


def declarations(css):
    for rule in tinycss2.parse_stylesheet(css, skip_comments=True, skip_whitespace=True):
        if rule.type == "qualified-rule":
            yield from tinycss2.parse_blocks_contents(rule.content, skip_whitespace=True)
        else:
            yield from declarations(tinycss2.serialize(rule.content))


def test_every_declaration_of_the_section_holds_against_an_important_one(section):
    (css,) = re.findall(r"<style>(.*?)</style>", section, re.DOTALL)
    found = list(declarations(css))
    assert len(found) > 200
    assert [d.name for d in found if d.type != "declaration" or not d.important] == []
    own = {d.name for d in found if d.name.startswith("--")}
    assert own
    assert all(name.startswith("--upheld-") for name in own)


def test_the_section_survives_a_markdown_file():
    code = v4.new_markdown_cell("```\na\n\n\n    b\n```")
    section = section_html(notebook_of(code, *sample_notebook().cells))
    assert "<code>a&#10;&#10;&#10;    b</code>" in re.sub("&#10;</code>", "</code>", section)
    page = f"# Day\n\nWords.\n\n{section}\n\nMore words.\n"
    # CommonMark 0.31, 4.6: a block of HTML lasts until the first empty line
    (only,) = [
        token
        for token in mistune.create_markdown(renderer=None)(page)
        if token["type"] == "block_html"
    ]
    assert only["raw"].strip() == section.strip()


def test_style_sheets_of_the_page_can_be_read(page):
    (css,) = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    assert ".upheld-report .verdict" in list(selectors(css))


def test_two_reports_can_be_pasted_into_one_page():
    both = section_html(sample_notebook()) + section_html(sample_notebook(title="Trivet 6"))
    found = Reader(both)
    assert len(found.ids) == len(set(found.ids))


def test_colours_can_be_read_in_light_and_in_dark(page):
    light, dark = (
        dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", part))
        for part in (
            page[: page.index("container-type")],
            page[page.index("prefers-color-scheme: dark") : page.index("@page")],
        )
    )
    for scheme in (light, dark):
        for name in ("ink", "soft", "sea"):
            assert contrast(scheme[name], scheme["paper"]) >= 4.5  # WCAG 2.2, 1.4.3
        assert contrast(scheme["ink"], scheme["tint"]) >= 4.5


def test_pictures_are_given_as_they_were_drawn():
    made = make_picture()
    assert pictures(sample_notebook()) == {
        "figures/level-ladder.svg": made.svg.encode(),
        "figures/level-ladder.png": made.png,
        "figures/level-ladder-phone.svg": made.svg.encode(),
        "figures/turned-up.svg": made.svg.encode(),
        "figures/turned-up.png": made.png,
        "figures/pasted-1.png": tiny_png(width=300, height=120),
    }


def test_pages_survive_the_way_through_a_file(tmp_path):
    path = tmp_path / "report.ipynb"
    nbformat.write(sample_notebook(), path)
    assert page_html(nbformat.read(path, as_version=4)) == page_html(sample_notebook())


def test_outputs_are_all_written(tmp_path):
    out = tmp_path / "out"
    files = write_outputs(
        sample_notebook(), out=out, data={"compression.csv": b"a,b\n", "results.json": b"{}"}
    )
    assert [str(path.relative_to(out).as_posix()) for path in files] == [
        "report.html",
        "section.html",
        "report.md",
        "report.pdf",
        "figures/level-ladder.svg",
        "figures/level-ladder.png",
        "figures/level-ladder-phone.svg",
        "figures/turned-up.svg",
        "figures/turned-up.png",
        "figures/pasted-1.png",
        "sharing/square.png",
        "sharing/wide.png",
        "sharing/alt.txt",
        "data/compression.csv",
        "data/results.json",
    ]
    assert sorted(files) == sorted(path for path in out.rglob("*") if path.is_file())
    assert (out / "report.html").read_text(encoding="utf-8") == page_html(sample_notebook())
    assert (out / "data" / "compression.csv").read_bytes() == b"a,b\n"
    assert list(tmp_path.iterdir()) == [out]


@pytest.fixture
def old_out(tmp_path):
    out = tmp_path / "out"
    (out / "data").mkdir(parents=True)
    (out / "data" / "kept.txt").write_text("old")
    return out


def assert_untouched(out):
    assert [path.name for path in out.rglob("*")] == ["data", "kept.txt"]
    assert (out / "data" / "kept.txt").read_text() == "old"
    assert list(out.parent.iterdir()) == [out]


def test_a_new_run_replaces_the_old_whole(old_out):
    write_outputs(sample_notebook(), out=old_out, data={})
    assert not (old_out / "data").exists()
    assert list(old_out.parent.iterdir()) == [old_out]


@pytest.mark.parametrize("at", [0, 3, 6])
@pytest.mark.parametrize("trouble", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_run_that_stops_while_writing_leaves_the_old_whole(old_out, monkeypatch, at, trouble):
    written = []
    write = files.write_new

    def stops(path, content):
        if len(written) == at:
            path.write_bytes(content[: len(content) // 2])
            raise trouble
        written.append(path)
        write(path, content)

    monkeypatch.setattr(files, "write_new", stops)
    with pytest.raises((OSError, KeyboardInterrupt)):
        write_outputs(sample_notebook(), out=old_out, data={})
    assert_untouched(old_out)


def test_a_disk_without_room_is_named(old_out, monkeypatch):
    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(RenderError, match=r"report\.html: .*the disk is full\. Make room"):
        write_outputs(sample_notebook(), out=old_out, data={})


@pytest.mark.parametrize(
    "made",
    [
        "page_html",
        "section_html",
        "report_markdown",
        "for_paper",
        "set_typst",
        "pictures",
        "sharing_pictures",
    ],
)
def test_a_run_that_cannot_make_something_writes_nothing(old_out, monkeypatch, made):
    def fails(*_, **__):
        raise RenderError("no")

    monkeypatch.setattr(outputs, made, fails)
    with pytest.raises(RenderError, match="no"):
        write_outputs(sample_notebook(), out=old_out, data={})
    assert_untouched(old_out)


def test_a_swap_that_fails_halfway_puts_the_old_back(old_out, monkeypatch):
    rename = type(old_out).rename

    def fails(self, target):
        if ".new-" in self.parent.name:
            raise PermissionError(13, "Permission denied")
        return rename(self, target)

    monkeypatch.setattr(type(old_out), "rename", fails)
    with pytest.raises(RenderError, match="no permission to write there"):
        write_outputs(sample_notebook(), out=old_out, data={})
    assert_untouched(old_out)


def test_what_a_killed_run_left_aside_comes_back_first(old_out, monkeypatch):
    old_out.rename(old_out.with_name(".out.before-0badcafe"))

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(RenderError):
        write_outputs(sample_notebook(), out=old_out, data={})
    assert_untouched(old_out)


def test_a_file_in_place_of_the_folder_is_named(tmp_path):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(RenderError, match=r"out.*is a file, not a folder"):
        write_outputs(sample_notebook(), out=tmp_path / "out", data={})
    assert (tmp_path / "out").read_text() == "mine"


@pytest.mark.parametrize("name", ["../evil.csv", "/tmp/evil.csv", "a/b.csv", "..", ""])
def test_data_stays_in_its_folder(tmp_path, name):
    with pytest.raises(RenderError, match="would not lie in"):
        write_outputs(sample_notebook(), out=tmp_path / "out", data={name: b""})
    assert list(tmp_path.iterdir()) == []


def test_a_notebook_that_is_no_report_is_named(old_out):
    with pytest.raises(NotebookError, match="should say format 1"):
        write_outputs(v4.new_notebook(), out=old_out, data={})
    assert_untouched(old_out)


@pytest.mark.parametrize(
    "folder", ["report", "section", "pictures", "markdown", "pdf", "plan", "catalogue"]
)
def test_templates_only_place_things(folder):
    decisions = (nodes.If, nodes.CondExpr, nodes.Compare, nodes.BinExpr, nodes.Not, nodes.Assign)
    for path in (templates_folder() / folder).glob("*.j2"):
        tree = jinja2.Environment().parse(path.read_text(encoding="utf-8"))
        assert list(tree.find_all(decisions)) == [], path


def test_notebooks_are_found():
    assert notebooks_folder().is_dir()
