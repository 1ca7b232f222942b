"""The section inside three sites: it changes nothing of theirs, and they nothing of it."""

import functools
import math
from pathlib import Path

import pytest
from browser import browser as chromium
from sample_notebook import sample_notebook

from reportlib.publish.outputs import section_html

HOSTS = Path(__file__).parents[1] / "hosts"
PLACE = "<!-- the report -->"
EMPTY = '<section class="upheld-report" style="min-height: 400px"></section>'
WIDTHS_PX = (360, 1280)
THE_SITES = ("margin-left", "margin-right", "margin-inline", "contain-intrinsic", "--upheld: ")
"""Of the section's own box: what room is left beside it is the site's to give."""

STYLES = """(inside) => {
  const box = /^(width|height|inline-size|block-size|perspective-origin|transform-origin)$/;
  const own = /^--(?!upheld-)/;
  const section = document.querySelector(".upheld-report");
  const seen = new Set();
  const values = (one, part, names) => {
    const style = getComputedStyle(one, part);
    return (names ?? [...style].filter(name => !(inside && (box.test(name) || own.test(name)))))
      .map(name => part + name + ": " + style.getPropertyValue(name));
  };
  const parts = one => ({LI: ["::marker"], SUMMARY: ["::marker"]})[one.tagName] ?? [];
  return [...document.querySelectorAll("body, body *")]
    .filter(one => section.contains(one) === inside && (inside || !one.contains(section)))
    .map(one => [[one.parentElement.tagName, one.tagName, one.className].join(" "), one])
    .filter(([name]) => !inside || (!seen.has(name) && seen.add(name)))
    .map(([name, one]) => {
      const {x, width, height} = one.getBoundingClientRect();
      const around = ["::before", "::after", "::first-letter", ...parts(one)].flatMap(
        part => values(one, part, ["content", "color", "font-size", "float", "text-transform"]));
      return [name, [...values(one, ""), ...around], inside ? [] : [x, width, height]];
    });
}"""
"""Outside the section all computed styles of every element, and where it stands and how large it
is; inside the styles of one element of a kind, but for those that are its size."""

SCHEME_AND_WIDTH = """() => {
  const section = document.querySelector(".upheld-report");
  return [getComputedStyle(section).colorScheme, section.getBoundingClientRect().width];
}"""

CONTRASTS = """() => {
  const channels = colour => colour.match(/[\\d.]+/g).map(Number);
  const luminance = colour => {
    const [r, g, b] = channels(colour).slice(0, 3).map(c => c / 255)
      .map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = one => {
    for (; one; one = one.parentElement) {
      const colour = getComputedStyle(one).backgroundColor;
      if (channels(colour).length < 4 || channels(colour)[3] === 1) return colour;
    }
    return "rgb(255, 255, 255)";
  };
  const words = document.createTreeWalker(
    document.querySelector(".upheld-report"), NodeFilter.SHOW_TEXT);
  const found = [];
  while (words.nextNode()) {
    const one = words.currentNode.parentElement;
    if (!words.currentNode.data.trim() || one.tagName === "STYLE") continue;
    const lights = [luminance(getComputedStyle(one).color), luminance(ground(one))];
    found.push([
      (Math.max(...lights) + 0.05) / (Math.min(...lights) + 0.05),
      parseFloat(getComputedStyle(one).fontSize),
      words.currentNode.data.trim().slice(0, 30),
    ]);
  }
  return found;
}"""

LAYOUT = """() => {
  const section = document.querySelector(".upheld-report").getBoundingClientRect();
  const outside = [...document.querySelectorAll(".upheld-report *")].filter(one => {
    const box = one.getBoundingClientRect();
    return !one.parentElement.closest(".scroll") && box.width > 0
      && (box.right > section.right + 1 || box.left < section.left - 1);
  });
  const shown = [...document.querySelectorAll(".upheld-report img.drawing")]
    .filter(one => one.getBoundingClientRect().width > 0);
  const images = shown.map(one => {
    const box = one.getBoundingClientRect();
    return [one.complete && one.naturalWidth > 0, box.width / box.height,
            one.naturalWidth / one.naturalHeight, box.width, getComputedStyle(one).opacity,
            one.closest(".phone") !== null];
  });
  const tables = [...document.querySelectorAll(".upheld-report table")]
    .filter(one => one.getBoundingClientRect().height > 0)
    .map(table => [...table.rows].map(
      row => [...row.cells].map(cell => {
        const {left, right} = cell.getBoundingClientRect();
        return [left, right];
      })));
  return {
    page: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    width: section.width,
    outside: outside.map(one => one.tagName + "." + one.className),
    images, tables,
  };
}"""


def host(name):
    return (HOSTS / f"{name}.html").read_text("utf-8")


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def section():
    return section_html(sample_notebook())


@pytest.fixture(scope="module", params=["plain", "typographic", "resets"])
def site(request):
    return request.param


@pytest.fixture(scope="module", params=WIDTHS_PX)
def pasted(request, site, browser, section):
    """The site with the section pasted into it, and the styles of the site without."""
    page = browser.new_page(viewport={"width": request.param, "height": 800})
    page.set_content(host(site).replace(PLACE, EMPTY))
    before = page.evaluate(STYLES, False)
    page.set_content(host(site).replace(PLACE, section))
    yield page, before
    page.close()


@pytest.fixture(scope="module")
def alone(browser, section):
    """Return the section's computed styles on an empty page, by its colour scheme and width."""
    page = browser.new_page()

    @functools.cache
    def styles(*, scheme, width):
        page.set_viewport_size({"width": math.ceil(width), "height": 800})
        ground = f"color-scheme: {scheme}; margin: 0"
        page.set_content(f"<!doctype html><body style='{ground}'>{section}")
        return page.evaluate(STYLES, True)

    yield styles
    page.close()


def test_the_site_looks_as_it_did_without(pasted):
    page, before = pasted
    found = page.evaluate(STYLES, False)
    assert len(found) == len(before) > 3
    for (name, values, place), (_, wanted, place_before) in zip(found, before, strict=True):
        assert set(values) ^ set(wanted) == set(), name
        assert place == pytest.approx(place_before, abs=0.02), name


def test_the_section_looks_as_it_does_on_an_empty_page(pasted, alone):
    page, _ = pasted
    scheme, width = page.evaluate(SCHEME_AND_WIDTH)
    expected = alone(scheme=scheme, width=width)
    found = page.evaluate(STYLES, True)
    assert len(found) == len(expected) > 40
    for (name, values, _), (_, wanted, _) in zip(found, expected, strict=True):
        differing = set(values) ^ set(wanted)
        assert not {line for line in differing if not line.startswith(THE_SITES)}, name


def test_its_words_can_be_read(pasted):
    page, _ = pasted
    found = page.evaluate(CONTRASTS)
    assert len(found) > 200
    for contrast, size_px, words in found:
        assert contrast >= 4.5, words  # WCAG 2.2, 1.4.3
        assert size_px >= 12.0, words


def test_nothing_runs_over_and_figures_and_tables_are_whole(pasted, site):
    page, _ = pasted
    layout = page.evaluate(LAYOUT)
    assert layout["page"] <= 0
    assert layout["outside"] == []
    assert layout["width"] > 0.75 * min(page.viewport_size["width"], 900)
    assert len(layout["images"]) == 2
    narrow = page.viewport_size["width"] == min(WIDTHS_PX)
    assert [image[-1] for image in layout["images"]] == [narrow, False]
    for loaded, shape, own_shape, width_px, opacity, for_phone in layout["images"]:
        assert loaded
        assert shape == pytest.approx(own_shape, rel=0.01)
        assert (250 < width_px < layout["width"]) if for_phone else width_px >= 0.8 * 720 - 1
        assert opacity == "1"
    assert len(layout["tables"]) == 3
    for rows in layout["tables"]:
        for row in rows[1:]:  # every cell under the head of its column
            assert row == [pytest.approx(cell, abs=0.6) for cell in rows[0]]
