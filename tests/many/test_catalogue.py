"""The catalogue: every reader, no network, whatever the sessions are called."""

import re
from urllib.parse import unquote

import pytest
from archived import kept_results, write_kept, write_many
from axe_playwright_python.sync_playwright import Axe
from browser import DESK, PHONE, browser, opened
from hostile import ATTACKS, Reader

from reportlib.errors import RenderError
from reportlib.many.catalogue import FIRST, Listed, catalogue_html, ladder_svg, write_catalogue
from reportlib.many.index import read_index
from reportlib.session.files import templates_folder

SCRIPT_KB = 8


def catalogue_of(archive):
    return write_catalogue(read_index(archive, say=[].append), archive=archive)


@pytest.fixture(scope="module")
def started():
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """A catalogue of forty sessions, in a folder whose address needs escaping."""
    archive = write_many(tmp_path_factory.mktemp("archive") / "Lending library, März #1", 36)
    limits = kept_results()["limits"]
    for name, values in {
        "Zostera 1": {"level_db": 101.5, "low_db": 101.0, "high_db": 102.0, "reached": True},
        "Zostera 2": {"level_db": None, "low_db": None, "high_db": None, "reached": None},
    }.items():
        made = [{**limit, **values} for limit in limits]
        write_kept(archive / "café 100%" / name, name=name, limits=made, verdict="It is told.")
    write_kept(archive / "Brackish 3", name="Brackish 3", page=False)
    (archive / "torn").mkdir()
    (archive / "torn" / "session.toml").write_text("format = [")
    return catalogue_of(archive)


def rows(page):
    return page.locator("tbody tr:visible")


@pytest.mark.parametrize(("scheme", "viewport"), [("light", DESK), ("dark", PHONE)])
def test_axe_finds_nothing_wrong_and_nothing_scrolls_sideways(started, page, scheme, viewport):
    with opened(started, page, viewport=viewport, color_scheme=scheme) as found:
        found.page.locator("summary").click()
        result = Axe().run(found.page)
        assert result.violations_count == 0, result.generate_report()
        wide = found.page.evaluate("document.documentElement.scrollWidth")
        assert wide == viewport["width"]
        assert found.complaints == []


def test_it_asks_for_its_own_pictures_and_for_nothing_else(started, page):
    with opened(started, page) as found:
        found.page.evaluate("scrollTo(0, document.body.scrollHeight)")
        found.page.wait_for_function("[...document.images].every((one) => one.complete)")
        broken = found.page.evaluate("[...document.images].filter((one) => !one.naturalWidth)")
        assert broken == []
        assert len(found.requests) > 1
        folder = page.parent.as_uri()
        assert all(one.startswith(folder) for one in found.requests)


def test_every_report_is_one_click_away_from_disk(started, page):
    with opened(started, page) as found:
        links = found.page.locator("tbody a")
        assert links.count() == 38  # of forty, one has no page and one is torn
        found.page.get_by_role("link", name="Zostera 1").click()
        assert found.page.title() == "A report"
        assert unquote(found.page.url).endswith("café 100%/Zostera 1/out/report.html")


def test_it_sorts_by_level_and_what_can_t_be_told_stands_last_both_ways(started, page):
    with opened(started, page) as found:
        head = found.page.get_by_role("columnheader", name="Bass")
        button = head.get_by_role("button")
        button.press("Enter")
        assert head.get_attribute("aria-sort") == "descending"
        assert rows(found.page).first.locator("th").text_content().strip().startswith("Zostera 1")
        bass = found.page.locator("tbody td:nth-child(3)").all_text_contents()
        levels = [
            float(re.findall(r"\d+(?:\.\d+)?", one)[0]) for one in bass if re.search(r"\d", one)
        ]
        assert levels == sorted(levels, reverse=True)
        assert not any(re.search(r"\d", one) for one in bass[len(levels) :])
        button.press("Enter")
        assert head.get_attribute("aria-sort") == "ascending"
        told = found.page.locator("tbody td:nth-child(3)").all_text_contents()
        assert not re.search(r"\d", told[-1])
        name = found.page.get_by_role("columnheader", name="Loudspeaker")
        name.get_by_role("button").click()
        assert head.get_attribute("aria-sort") is None
        assert "Brackish 3" in rows(found.page).first.text_content()


def test_it_finds_by_any_word_and_says_how_many(started, page):
    with opened(started, page, viewport=PHONE) as found:
        box = found.page.get_by_role("searchbox", name="Search")
        box.fill("CAFE zost")
        assert rows(found.page).count() == 2
        assert found.page.get_by_role("status").text_content() == "2 of 40 sessions"
        box.fill("nowhere")
        assert rows(found.page).count() == 0
        box.press("Enter")  # leads nowhere
        box.fill("")
        assert rows(found.page).count() == 40
        assert found.page.get_by_role("status").text_content() == "40 sessions"
        assert found.complaints == []


def test_without_a_script_it_is_a_table_without_dead_controls(started, page):
    with opened(started, page, java_script_enabled=False) as found:
        assert rows(found.page).count() == 40
        assert found.page.locator("button, input:visible").count() == 0
        assert found.page.locator("tbody a").count() == 38


@pytest.fixture(scope="module")
def long_page(tmp_path_factory):
    """More sessions than are laid out at once."""
    made = (
        Listed(
            links=(), plain=(f"Zostera {n}",), name=f"Zostera {n}", pictures=(),
            said=f"Verdict{n}.",
            folder=f"{n}", day="2026-05-04", cells=(f"{n / 10:g}",) * 6,
        )
        for n in range(450)
    )  # fmt: skip
    page = tmp_path_factory.mktemp("long") / "index.html"
    page.write_text(
        catalogue_html(made, title="Long", count=450, loudspeakers=450), encoding="utf-8"
    )
    return page


def test_of_many_the_first_are_laid_out_and_all_are_found_and_sorted(started, long_page):
    with opened(started, long_page) as found:
        more = found.page.get_by_role("button", name="Show more")
        assert rows(found.page).count() == FIRST
        found.page.get_by_role("searchbox", name="Search").fill("verdict44")
        assert found.page.get_by_role("status").text_content() == "11 of 450 sessions"
        assert rows(found.page).count() == 11
        assert not more.is_visible()
        found.page.get_by_role("searchbox", name="Search").fill("")
        found.page.get_by_role("columnheader", name="Bass").get_by_role("button").click()
        assert rows(found.page).first.text_content().strip().startswith("Zostera 449")
        for count in (2 * FIRST, 450):
            more.click()
            assert rows(found.page).count() == count
        assert not more.is_visible()
        assert found.complaints == []


def test_without_a_script_all_of_many_are_there(started, long_page):
    with opened(started, long_page, java_script_enabled=False) as found:
        assert rows(found.page).count() == 450
        assert not found.page.get_by_role("button", name="Show more").is_visible()


def test_on_a_phone_every_number_says_what_it_is(started, page):
    with opened(started, page, viewport=PHONE) as found:
        named = found.page.evaluate(
            "[...document.querySelector('tbody tr').querySelectorAll('td')]"
            ".map((one) => getComputedStyle(one, '::before').content.slice(1, -1))"
        )
        heads = found.page.locator("thead th").all_text_contents()
        assert named == heads[1:]
        assert all(
            one["height"] >= 24
            for one in (
                button.bounding_box() for button in found.page.locator("thead button").all()
            )
        )  # WCAG 2.2, 2.5.8: targets of 24 px


def test_hostile_names_do_nothing(started, tmp_path):
    for number, attack in enumerate(ATTACKS):
        name = re.sub(r"[/\x00-\x1f\ud800]", "", attack)[:60] or "x"
        write_kept(tmp_path / f"{number} {name}", name=attack, verdict=attack.replace("\ud800", ""))
    page = catalogue_of(tmp_path)
    text = page.read_text("utf-8")
    reader = Reader(text.replace('<img src="pictures/', '<img src="data:image/png;base64,'))
    assert reader.unbalanced == []
    own = ["<form>", "<input>"]
    assert [one for one in reader.harm if one not in own and one != "<script>"] == []
    assert reader.harm.count("<script>") == 1
    assert sum(tag == "img" for tag, _ in reader.elements) == len(ATTACKS)
    with opened(started, page) as found:
        assert rows(found.page).count() == len(ATTACKS)
        assert found.complaints == []
        links = found.page.locator("tbody a")
        assert set(links.evaluate_all("(all) => all.map((one) => one.protocol)")) == {"file:"}


def test_a_second_catalogue_is_the_same_bytes_and_writes_nothing(tmp_path):
    write_many(tmp_path, 6)
    page = catalogue_of(tmp_path)
    before = {path: path.stat().st_mtime_ns for path in page.parent.rglob("*")}
    catalogue_of(tmp_path)
    assert {path: path.stat().st_mtime_ns for path in page.parent.rglob("*")} == before


def test_a_page_of_somebody_elses_is_left_as_it_is(tmp_path):
    write_kept(tmp_path / "one")
    (tmp_path / "catalogue").mkdir()
    (tmp_path / "catalogue" / "index.html").write_text("<p>mine")
    with pytest.raises(RenderError, match="was not made by upheld, and is left as it is"):
        catalogue_of(tmp_path)
    assert (tmp_path / "catalogue" / "index.html").read_text() == "<p>mine"


def test_pictures_that_nobody_needs_go_and_shared_ones_are_kept_once(tmp_path):
    write_kept(tmp_path / "one")
    write_kept(tmp_path / "two")
    page = catalogue_of(tmp_path)
    (page.parent / "pictures" / "stale.svg").write_text("<svg/>")
    (page.parent / "pictures" / "mine.txt").write_text("kept")
    catalogue_of(tmp_path)
    names = sorted(path.name for path in (page.parent / "pictures").iterdir())
    assert len(names) == 2
    assert "mine.txt" in names


def test_the_ladder_draws_what_came_out():
    svg = ladder_svg("[[1.0, 0.5, null], [0.0, 1.2, 1.0]]")
    assert svg.count('class="a"') == 5
    assert svg.count('class="d"') == 1
    assert svg.count('class="c"') == 1  # more than asked stands above its box
    heights = re.findall(r'class="b"[^>]*height="([\d.]+)"', svg)
    assert heights == ["14", "7", "0", "14", "14"]
    for broken in ("", "3", "[]", '[["a"]]', "{}", "["):
        assert ladder_svg(broken) == ""


def test_the_script_is_small():
    script = (templates_folder() / "catalogue" / "catalogue.js").read_bytes()
    assert len(script) < 1000 * SCRIPT_KB
