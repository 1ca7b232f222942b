"""The page of a comparison in a real browser: its first screen, on a phone, for every reader."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import DESK, PHONE, browser, opened
from compared_notebook import comparison_of, three_days

from reportlib.publish.outputs import page_html
from reportlib.publish.publication import read_publication
from reportlib.publish.sharing import sharing_pictures


@pytest.fixture(scope="module")
def notebook():
    return comparison_of(three_days())


@pytest.fixture(scope="module")
def desk(notebook, tmp_path_factory):
    path = tmp_path_factory.mktemp("out") / "report.html"
    path.write_text(page_html(notebook), "utf-8")
    with browser() as started, opened(started, path) as found:
        yield found


@pytest.mark.parametrize(("scheme", "viewport"), [("light", DESK), ("dark", PHONE)])
def test_axe_finds_nothing_wrong(desk, scheme, viewport):
    desk.page.set_viewport_size(viewport)
    desk.page.emulate_media(color_scheme=scheme)
    desk.page.evaluate("document.querySelectorAll('details').forEach((d) => d.open = true)")
    result = Axe().run(desk.page)
    assert result.violations_count == 0, result.generate_report()


def test_the_first_screen_has_the_verdict_then_the_figure_at_equal_output(desk):
    page = desk.page
    page.set_viewport_size(DESK)
    assert page.locator(".verdict").bounding_box()["y"] < DESK["height"]
    assert page.locator("figure").first.get_attribute("id") == "figure-at-equal-output"
    assert page.locator(".calculator").count() == 0
    assert desk.complaints == []


def test_nothing_is_wider_than_a_phone(desk):
    desk.page.set_viewport_size(PHONE)
    wide = desk.page.evaluate("document.documentElement.scrollWidth")
    assert wide <= PHONE["width"]


def test_every_quoted_fact_leads_to_a_row(desk):
    missing = desk.page.evaluate(
        """[...document.querySelectorAll('a[href^="#"]')].map((a) => a.hash.slice(1))
        .filter((id) => !document.getElementById(id))"""
    )
    assert missing == []
    assert desk.page.locator("a.fact").count() > 0


def test_the_pictures_to_share_name_all_of_them(notebook):
    said = sharing_pictures(read_publication(notebook))["sharing/alt.txt"].decode()
    assert said.startswith("Trivet 6, Marram 12 and Samphire 3 compared: ")
