"""The published page in a real browser: for every reader, without a network, by keyboard."""

import json
import re
from contextlib import contextmanager
from dataclasses import replace

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import DESK, PHONE, browser, opened, report_of, whole_day
from builders import make_analysis
from hostile import ATTACKS, Reader
from sample_notebook import make_picture, notebook_of, sample_notebook, shown_cell

from reportlib.errors import NotebookError
from reportlib.publish.outputs import page_html, section_html
from reportlib.publish.publication import read_publication
from reportlib.session.files import templates_folder
from reportlib.session.parameters import checked_parameters
from reportlib.write.data import seat_calculator
from reportlib.write.shown import CALCULATOR_MIME, PICTURE_MIME, ReadLine, ReadOut

PAGE_KB, SCRIPT_KB = 700, 15


@pytest.fixture(scope="module")
def started():
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def notebook():
    return report_of(whole_day())


@pytest.fixture(scope="module")
def file(notebook, tmp_path_factory):
    """The page on disk, where its address needs escaping."""
    path = tmp_path_factory.mktemp("out") / "Trivet 6 – März #1.html"
    path.write_text(page_html(notebook), "utf-8")
    return path


@pytest.fixture(scope="module")
def desk(started, file):
    """One page that several tests work on, each from a state that it sets itself."""
    with opened(started, file) as found:
        yield found


@contextmanager
def as_if(page, *, viewport=DESK, **media):
    """Show the shared page on another screen, or as it would print, and put it back."""
    page.set_viewport_size(viewport)
    page.emulate_media(**media)
    try:
        yield page
    finally:
        page.set_viewport_size(DESK)
        page.emulate_media(**dict.fromkeys(media, "null"))


def first_read_out(notebook):
    figures = [block for block in read_publication(notebook).blocks if hasattr(block, "picture")]
    return next(one.picture.read_out for one in figures if one.picture.read_out)


@pytest.mark.parametrize(("scheme", "viewport"), [("light", PHONE), ("dark", DESK)])
def test_axe_finds_nothing_wrong(desk, scheme, viewport):
    """axe-core with every rule it has, best practices among them; folded tables open."""
    with as_if(desk.page, viewport=viewport, color_scheme=scheme) as page:
        page.evaluate("document.querySelectorAll('details').forEach((d) => d.open = true)")
        result = Axe().run(page)
        assert result.violations_count == 0, result.generate_report()


def test_axe_would_find_what_is_wrong(started, tmp_path):
    (tmp_path / "page.html").write_text(
        "<input><p style='color:#aaa;background:#fff'>pale", "utf-8"
    )
    with opened(started, tmp_path / "page.html") as found:
        wrong = {one["id"] for one in Axe().run(found.page).response["violations"]}
        assert {"label", "color-contrast", "html-has-lang"} <= wrong


def test_the_page_asks_for_nothing_and_complains_of_nothing(started, file):
    with opened(started, file) as found:
        page = found.page
        page.locator('[data-field="level"]').press("ArrowRight")
        page.locator("#figure-turned-up input").press("ArrowLeft")
        page.locator("summary").first.click()
        page.evaluate("scrollTo(0, document.body.scrollHeight)")
        assert found.requests == [file.as_uri()]
        assert found.complaints == []
        assert page.evaluate("performance.getEntriesByType('resource').length") == 0


def test_no_script_but_our_own_runs(started, file):
    with opened(started, file) as found:
        found.page.evaluate(
            """() => {
              const script = document.createElement("script");
              script.textContent = "window.foreign = 1";
              document.body.append(script);
              document.body.insertAdjacentHTML("beforeend", "<img src=x onerror='foreign = 1'>");
            }"""
        )
        assert found.page.evaluate("window.foreign") is None
        assert any("Content Security Policy" in one for one in found.complaints)


def test_a_stranger_sees_the_verdict_and_what_gives_first_on_a_phone(desk):
    with as_if(desk.page, viewport=PHONE) as page:
        page.evaluate("scrollTo(0, 0)")
        for words in (".verdict", "#in-short p"):
            box = page.locator(words).first.bounding_box()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= PHONE["width"]
            assert 0 <= box["y"] <= PHONE["height"] - box["height"]
        assert page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]


def test_a_laptop_shows_the_verdict_and_the_ladder_without_scrolling(desk):
    page = desk.page
    page.evaluate("scrollTo(0, 0)")
    for seen in (".verdict", "#figure-level-ladder .scroll svg"):
        box = page.locator(seen).bounding_box()
        assert box["x"] + box["width"] <= DESK["width"]
        assert 0 <= box["y"] <= DESK["height"] - box["height"]


def test_all_but_the_main_line_is_folded(desk):
    page = desk.page
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = false; })")
    seen = page.evaluate(
        """() => [...document.querySelectorAll("figure:not(.table), .calculator, .scroll > table")]
          .filter((one) => one.checkVisibility()).map((one) => one.id || one.className)"""
    )
    assert seen == [
        "figure-level-ladder", "calculator", "figure-turned-up", "figure-minute-by-minute",
        "figure-coil",
    ]  # fmt: skip
    contents = page.locator(".contents a")
    sections = ["At your seat", "Take care", "Turned up", "Left playing", "Why",
                "How it was measured", "The numbers", "How sure"]  # fmt: skip
    assert contents.all_text_contents() == sections
    tops = [page.locator(one.get_attribute("href")).bounding_box()["y"] for one in contents.all()]
    assert tops == sorted(tops)


def test_a_caption_stands_beside_the_top_of_its_drawing(desk):
    figure = desk.page.locator("#figure-turned-up")
    drawing, caption = (figure.locator(one).bounding_box() for one in (".scroll", "figcaption"))
    assert caption["x"] >= drawing["x"] + drawing["width"]
    assert caption["y"] == pytest.approx(drawing["y"], abs=2.0)
    assert caption["x"] + caption["width"] > 0.9 * DESK["width"]


def test_figures_and_words_share_a_typeface(desk):
    face = "(one) => getComputedStyle(one).fontFamily"
    words = desk.page.locator("#why p").first.evaluate(face)
    assert desk.page.locator("#figure-turned-up .scroll svg text").first.evaluate(face) == words


@pytest.mark.parametrize("width", [768, 1280])
def test_no_table_of_limits_and_no_word_is_cut(desk, width):
    with as_if(desk.page, viewport={"width": width, "height": 1000}) as page:
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        over = page.evaluate(
            """() => ["#table-limits .scroll", "html"].map((name) => {
              const box = document.querySelector(name);
              return box.scrollWidth - box.clientWidth;
            })"""
        )
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = false; })")
        assert max(over) <= 0


def test_the_keyboard_reaches_and_works_the_calculator(desk):
    page = desk.page
    page.locator('[data-field="place"]').focus()
    seen = []
    for _ in range(6):
        seen.append(page.evaluate("document.activeElement.dataset.field"))
        before = desk.says("asks")
        page.keyboard.press("ArrowDown" if seen[-1] in ("place", "need") else "ArrowRight")
        assert desk.says("asks") != before, seen[-1]
        page.keyboard.press("Tab")
    assert seen == ["place", "need", "distance", "loudspeakers", "level", "crest"]
    assert page.evaluate("document.activeElement.closest('.calculator')") is None
    page.keyboard.press("Shift+Tab")
    assert page.evaluate("document.activeElement.dataset.field") == "crest"


def test_every_field_is_named_and_says_its_value(desk):
    page = desk.page
    for label, chosen in (("Where you sit", "your seat"), ("What you listen to", "relaxed music")):
        box = page.get_by_role("combobox", name=label)
        assert box.count() == 1
        box.select_option(label=box.locator("option").filter(has_text=chosen).text_content())
    spoken = {}
    for label in ("Distance", "Loudspeakers", "Average level", "How dynamic"):
        slider = page.get_by_role("slider", name=label)
        assert slider.count() == 1
        spoken[label] = slider.get_attribute("aria-valuetext")
    assert spoken == {
        "Distance": "3 m", "Loudspeakers": "2", "Average level": "75 dBA",
        "How dynamic": "+15 dB",
    }  # fmt: skip
    answer = page.get_by_role("status").filter(has_text="Trivet 6")
    assert answer.count() == 1
    assert answer.get_attribute("aria-live") == "polite"


def test_loud_settings_carry_their_cautions(desk):
    page = desk.page
    page.locator('[data-field="need"]').select_option(label="speech and television")
    assert desk.says("caution") == ""
    page.locator('[data-field="level"]').fill("104")
    assert "Local rules and a hearing specialist come first" in desk.says("caution")
    assert "leave nothing unattended" in desk.says("caution")
    assert "NIOSH’s limit for work uses up a day’s sound in 5.9 min" in desk.says("ears")


def test_arrow_keys_read_the_curves_in_words(desk, notebook):
    record = first_read_out(notebook)
    figure = desk.page.locator("#figure-turned-up")
    cursor = figure.get_by_role("slider")
    for key, at in (("Home", 0), ("ArrowRight", 1), ("End", -1), ("ArrowLeft", -2)):
        cursor.press(key)
        assert cursor.get_attribute("aria-valuetext") == record.frequency_words[at]
        assert figure.locator(".frequency").text_content() == record.frequency_words[at]
        assert figure.locator(".reading li").all_text_contents() == [
            f"{line.name} {line.words[at]}" for line in record.lines
        ]
    assert figure.get_by_role("status").get_attribute("aria-live") == "polite"


@pytest.mark.parametrize("name", ["turned-up", "left-playing"])
def test_pointing_at_a_tick_of_the_axis_reads_that_frequency(desk, name):
    """The scale's own numbers, as drawn, say whether the cursor stands where it claims to."""
    figure = desk.page.locator(f"#figure-{name}")
    figure.evaluate("(one) => { (one.closest('details') || {}).open = true; }")
    shown = figure.locator(".scroll svg")
    shown.scroll_into_view_if_needed()
    drawn = shown.bounding_box()
    for tick, words in (("100", "100 Hz"), ("1k", "1 kHz"), ("10k", "10 kHz")):
        number = shown.locator("text").get_by_text(tick, exact=True).last.bounding_box()
        x = number["x"] + number["width"] / 2
        desk.page.mouse.move(x, number["y"] - 0.1 * drawn["height"])
        assert figure.locator(".frequency").text_content() == words
        mark = shown.locator(".cursor").bounding_box()
        assert mark["x"] + mark["width"] / 2 == pytest.approx(x, abs=2.5)
        assert mark["y"] + mark["height"] < number["y"]


def test_a_finger_reads_the_curves_too(started, file):
    with opened(started, file, viewport=PHONE, has_touch=True) as found:
        figure = found.page.locator("#figure-turned-up")
        before = figure.locator(".frequency").text_content()
        shown = figure.locator(".phone svg")
        number = shown.locator("text").get_by_text("1k", exact=True).last
        number.scroll_into_view_if_needed()
        box = number.bounding_box()
        found.page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] - 60)
        assert before != figure.locator(".frequency").text_content()
        assert figure.locator(".frequency").text_content() == "1 kHz"
        mark, middle = shown.locator(".cursor").bounding_box(), box["x"] + box["width"] / 2
        assert mark["x"] + mark["width"] / 2 == pytest.approx(middle, abs=2.5)


def test_on_a_phone_no_figure_scrolls_sideways(desk):
    """Drawings of the page's width give way to the phone's, which need no more than it has."""
    with as_if(desk.page, viewport=PHONE) as page:
        shown = page.evaluate(
            """() => [...document.querySelectorAll("details")].map((one) => { one.open = true; })
              && [...document.querySelectorAll("figure:not(.table)")].map((figure) => ({
              wide: figure.querySelector(".scroll").offsetWidth,
              phone: figure.querySelector(".phone svg").getBoundingClientRect().width,
              over: figure.scrollWidth - figure.clientWidth,
            }))"""
        )
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = false; })")
        assert len(shown) == 7
        for figure in shown:
            assert figure["wide"] == 0
            assert 300 < figure["phone"] <= PHONE["width"]
            assert figure["over"] <= 0
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_on_a_phone_no_table_scrolls_sideways_and_every_value_keeps_its_label(desk):
    """Each row of a wide table is a card; a value's label stands over it, as its column's head."""
    with as_if(desk.page, viewport=PHONE) as page:
        shown = page.evaluate(
            """() => {
              for (const folded of document.querySelectorAll("details")) folded.open = true;
              return [...document.querySelectorAll(".scroll > table")].map((table) => {
                const box = table.parentElement;
                const cells = [...table.querySelectorAll("td")];
                const labels = cells.map((cell) => getComputedStyle(cell, "::before").content);
                return {
                  over: box.scrollWidth - box.clientWidth,
                  stacks: box.classList.contains("stacks"),
                  labelled: labels.every((text) => text.startsWith('"')),
                  bare: labels.every((text) => text === "none"),
                };
              });
            }"""
        )
        page.evaluate(
            "document.querySelectorAll('details').forEach((one) => { one.open = false; })"
        )
        assert any(table["stacks"] for table in shown)
        assert any(not table["stacks"] for table in shown)
        for table in shown:
            assert table["over"] <= 0
            assert table["labelled"] if table["stacks"] else table["bare"]


def test_without_a_script_the_tables_stand_and_nothing_dead_shows(started, file):
    with opened(started, file, java_script_enabled=False) as found:
        assert not found.page.locator(".calculator").is_visible()
        assert found.page.locator(".reading").count() == 0
        for table in ("needs", "seat"):
            found.page.locator(f"#table-{table} summary").click()
            assert found.page.locator(f"#table-{table} table").is_visible()


def test_print_shows_nothing_live(desk):
    with as_if(desk.page, media="print") as page:
        for live in (".calculator", ".reading", ".cursor"):
            assert not page.locator(live).first.is_visible()
        assert page.locator("#table-needs table").is_visible()


def test_a_page_of_seven_figures_stays_small(file):
    html = file.read_text("utf-8")
    assert sum(tag == "svg" for tag, _ in Reader(html).elements) == 2 * 7  # each for a phone too
    assert len(html.encode()) <= PAGE_KB * 1000
    scripts = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    assert len(scripts) == 2
    assert sum(len(one.encode()) for one in scripts) < SCRIPT_KB * 1000


def test_scripts_write_texts_and_nothing_else():
    for path in (templates_folder() / "report").glob("*.js"):
        script = path.read_text("utf-8")
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacent|document\.write|eval|fetch", script
        )
        assert not re.search(r"new Function|XMLHttp|WebSocket|import\b|\bon\w+\s*=", script)


def hostile_notebook():
    """Every attack in every text that the scripts are handed."""
    everything = " ".join(ATTACKS)
    record = ReadOut(
        label=everything, left=0.2, right=0.9, top=0.1, bottom=0.8, low_hz=20.0, high_hz=2e4,
        frequency_hz=(100.0, 1000.0), frequency_words=(everything, everything), start=0,
        lines=(ReadLine(name=everything, words=(everything, everything)),),
    )  # fmt: skip
    calculator = seat_calculator(make_analysis(), parameters=checked_parameters(session="."))
    calculator = replace(
        calculator,
        name=everything,
        places=tuple(replace(one, label=everything, where=everything) for one in calculator.places),
        needs=tuple(replace(one, name=everything) for one in calculator.needs),
        words={**calculator.words, "yes": f"{everything} {{name}}", "asks": everything},
    )
    return notebook_of(shown_cell(make_picture(read_out=record), calculator), title=everything)


def test_hostile_texts_stay_texts_in_the_scripts_hands(started, tmp_path):
    html = page_html(hostile_notebook())
    found = Reader(html)
    scripts = [about for tag, about in found.elements if tag == "script"]
    assert scripts == [{"type": "application/json"}] * 2 + [{}] * 2
    assert found.unbalanced == []
    fields = {"<select>", "<input>"}
    assert set(found.harm) - fields == {"<script>"}
    (tmp_path / "page.html").write_text(html, "utf-8")
    with opened(started, tmp_path / "page.html") as page:
        assert page.complaints == []
        assert "<script>alert(1)</script>" in page.says("answer")
        assert "<img src=x onerror=alert(1)>" in page.page.locator(".reading li").text_content()
        page.page.locator('[data-field="level"]').press("ArrowRight")
        assert page.page.locator(".calculator img, .reading img, .calculator a").count() == 0
        assert page.complaints == []


@pytest.mark.parametrize(
    ("mime", "change"),
    [
        (CALCULATOR_MIME, {"places": []}),
        (CALCULATOR_MIME, {"bands": ...}),
        (CALCULATOR_MIME, {"grid_ratio": 1.0}),
        (CALCULATOR_MIME, {"given_db": float("inf")}),
        (CALCULATOR_MIME, {"start_need": 99}),
        (CALCULATOR_MIME, {"more": 1}),
        (PICTURE_MIME, {"left": 0.9, "right": 0.1}),
        (PICTURE_MIME, {"frequency_hz": [100.0]}),
        (PICTURE_MIME, {"lines": 7}),
    ],
)
def test_a_damaged_record_names_its_cell(notebook, mime, change):
    cells = json.loads(json.dumps(notebook.cells))
    bundles = [
        output["data"][mime]
        for cell in cells if cell["cell_type"] == "code"
        for output in cell["outputs"] if mime in output.get("data", {})
    ]  # fmt: skip
    bundle = bundles[0]
    if mime == PICTURE_MIME:
        bundle = next(one["read_out"] for one in bundles if "read_out" in one)
    for key, value in change.items():
        if value is ...:
            del bundle[key]
        else:
            bundle[key] = value
    with pytest.raises(NotebookError, match="shows a damaged picture, table or calculator"):
        read_publication({**notebook, "cells": cells})


def test_a_second_calculator_is_not_shown(notebook):
    cells = [cell for cell in notebook.cells if "calculator" in str(cell.get("outputs", ""))]
    twice = page_html({**notebook, "cells": cells * 2})
    assert len(cells) == 1
    assert twice.count('id="calculator"') == 1


def test_the_section_stays_without_script(notebook):
    found = Reader(section_html(notebook))
    assert not {"script", "input", "select"} & {tag for tag, _ in found.elements}
    assert found.harm == []


def test_a_page_with_nothing_live_carries_no_script():
    html = page_html(sample_notebook())
    assert "<script" not in html
    assert "script-src" not in html
