"""Every limit that a report states follows the limit that it judges by.

With all thresholds changed, in a process of its own so that every module reads the changed
ones, pages are made as the notebook makes them and looked through for a limit as it was before.
"""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from reportlib.judge import thresholds

TESTS = Path(__file__).parents[1]
CHANGED = """
import sys
sys.path[:0] = {tests!r}
from reportlib.judge import thresholds as t
t.MEAN_LIMITS_DB, t.WORST_LIMITS_DB = (0.73, 1.27, 3.31), (1.13, 2.29, 4.37)
t.GAIN_LIMITS_DB, t.WORST_GAIN_LIMITS_DB = (1.17, 3.41), (2.31, 4.43)
t.TEXT_UNKNOWN_DB, t.BEHIND_DB, t.NEED_LIMITS_DB = 0.23, (1.37, 3.53), (1.19, 3.43)
t.HEARD_LIMITS_DB = tuple((w, 1.07 * a, 1.07 * b) for w, a, b in t.HEARD_LIMITS_DB)
"""
PAGES = """
import html, re, sys
sys.path[:0] = {tests!r}
from reportlib.draw import pictures
drawing = "<svg viewBox='0 0 9 9' width='9' height='9'/>"
sizes = dict(svg=drawing, phone_svg=drawing, width_px=9, height_px=9, png=b"", read_out=None)
pictures._drawings = lambda *_, **__: sizes  # only words are read here
from browser import report_of, whole_day
from builders import make_analysis
from compared_notebook import comparison_of, three_days
from test_narrative import DAYS
from reportlib.publish.outputs import page_html
days = list(DAYS.values())[::{every}]
notebooks = [report_of(make_analysis(**day)) for day in days if "band_u95_db" not in day]
notebooks += [report_of(whole_day()), comparison_of(three_days())]
for notebook in notebooks:
    page = re.sub(r"<(script|style|svg)\b.*?</\\1>", " ", page_html(notebook), flags=re.S)
    print(html.unescape(re.sub(r"<[^>]+>", " ", page)))
    print("=" * 9)
"""
# "wide intervals" is left out: its values are written without decimals, as limits are
OWN_SENSE = (
    "6 dB less with every doubling",  # a point source in a free field
    "0 to 3 dB more from the room",
    "as most do, ± 2 dB",  # the method's own tolerance
    "over ground, 6 dB are taken off first",  # a half space
    "with steps of 3 dB",  # a measurement that would tell more
    "3 dB more for the second loudspeaker",
    "really been 1 dB louder or quieter",  # a yardstick, no limit
    "run from 0 to 6 dB",  # the calculator's bars
    "surely wider than 0.5 dB",  # a parameter of the report
    r"counts like about \d dB in the mids",  # a loudness, known to a whole phon
)
AS_BEFORE = re.compile(r"(?<![\d.,−+±–])(?:0\.2|0\.5|[1-6])(?: and [1-6])?[\s\u00a0]dB\b")


@pytest.fixture(scope="module", params=[2, pytest.param(1, marks=pytest.mark.slow)])
def pages(request):
    """Texts of the pages of every second kind of day, or of all."""
    tests = [str(TESTS / "helpers"), str(TESTS / "write")]
    code = (CHANGED + PAGES).format(tests=tests, every=request.param)
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout.split("=" * 9)[:-1]


def test_no_page_states_a_limit_as_it_was_before(pages):
    """Limits are written bare (“1 dB”), measured values with their decimals (“1.0 dB”).

    0.5 and 0.2 are both; what is measured stands in a sentence of its own, never behind the
    words by which a limit is stated.
    """
    found = []
    for page in pages:
        text = " ".join(page.split())
        for own in OWN_SENSE:
            text = re.sub(own, "", text)
        for match in AS_BEFORE.finditer(text):
            around = text[max(0, match.start() - 40) : match.end() + 25]
            bare = match[0].split()[0] not in ("0.5", "0.2")
            stated = re.search(r"(within|under|least|below|less than|or more|limit)", around)
            if bare or (stated and "± " not in around):
                found.append(around)
    assert not found, "\n".join(found)


def test_pages_state_the_changed_limits(pages):
    text = " ".join(" ".join(pages).split())
    for stated in ("0.73 dB", "1.27 dB", "3.31 dB", "1.13 dB", "1.37 dB", "1.19 dB", "3.43 dB"):
        assert stated in text, stated


def test_the_limits_are_in_order():
    for limits in (thresholds.MEAN_LIMITS_DB, thresholds.WORST_LIMITS_DB, thresholds.BEHIND_DB):
        assert list(limits) == sorted(limits)
