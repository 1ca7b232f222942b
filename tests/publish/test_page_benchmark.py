"""How large the page is and how soon it shows, printed and never asserted: ``-m benchmarks -s``."""

import gzip
import re
import statistics

import pytest
from browser import DESK, PHONE, browser, opened, report_of, whole_day

from reportlib.publish.outputs import page_html

pytestmark = pytest.mark.benchmarks
PAINTED = """() => ({
  paint: performance.getEntriesByName("first-contentful-paint")[0].startTime,
  ready: performance.getEntriesByType("navigation")[0].domContentLoadedEventEnd,
})"""
RUNS = 7


def test_first_paint_and_size_of_a_page_with_eight_figures(tmp_path):
    """From disk, in a fresh context each time: first contentful paint, and scripts done."""
    html = page_html(report_of(whole_day()))
    file = tmp_path / "report.html"
    file.write_text(html, "utf-8")
    drawn = sum(len(one.encode()) for one in re.findall(r"<svg .*?</svg>", html, re.DOTALL))
    data = re.findall(r'<script type="application/json">(.*?)</script>', html, re.DOTALL)
    scripts = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    print(
        f"\npage {len(html.encode()) / 1e3:.0f} kB ({len(gzip.compress(html.encode())) / 1e3:.0f} "
        f"kB packed): drawings {drawn / 1e3:.0f} kB, data {len(''.join(data)) / 1e3:.1f} kB, "
        f"scripts {len(''.join(scripts).encode()) / 1e3:.1f} kB"
    )
    with browser() as started:
        for name, viewport in (("desk", DESK), ("phone", PHONE)):
            times = []
            for _ in range(RUNS):
                with opened(started, file, viewport=viewport) as found:
                    found.page.wait_for_function(
                        "performance.getEntriesByName('first-contentful-paint').length"
                    )
                    times.append(found.page.evaluate(PAINTED))
            paint, ready = ([one[part] for one in times] for part in ("paint", "ready"))
            print(
                f"{name}: first paint {statistics.median(paint):.0f} ms "
                f"({min(paint):.0f} to {max(paint):.0f}), scripts done "
                f"{statistics.median(ready):.0f} ms ({min(ready):.0f} to {max(ready):.0f})"
            )
