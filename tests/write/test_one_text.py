"""All words of a report read as one text, over simulated days."""

import html
import io
import re
from types import SimpleNamespace

import pikepdf
import pytest
from browser import report_of
from builders import judged, make_analysis
from cause_days import CAUSES
from cause_measured import shown_day
from full_report import PARTS
from one_text import broken, ill_said
from pdf_words import words
from test_seat_words import drafts, seated

from reportlib.draw import pictures, tables
from reportlib.draw.wordings import said
from reportlib.publish.outputs import page_html
from reportlib.publish.typeset import pdf_bytes
from reportlib.session.parameters import checked_parameters
from reportlib.write import stress_captions

DAYS = [
    ("none", 1), ("none", 3), ("heat-coil", 2), ("heat-magnet", 1),
    ("microphone-overload", 1), ("wrong-step", 1), ("loose-part", 11),
]  # fmt: skip
MANY = [(cause, seed) for cause in ("none", *CAUSES) for seed in range(10, 22)]


def day_of(cause, seed):
    """Return a day on which a loudspeaker or its microphone did this, and the report's settings."""
    analysis = judged(shown_day(cause, seed)[1])
    return seated(analysis, checked_parameters(session="."))


def shown_of(analysis):
    """Return its tables, and captions as of pictures: no drawing is made."""
    made = [getattr(tables, part)(analysis) for part in PARTS if hasattr(tables, part)]
    texts = [
        SimpleNamespace(
            caption=getattr(stress_captions, f"caption_{figure}")(analysis, said=said),
            alt=getattr(stress_captions, f"alt_{figure}")(analysis, said=said),
        )
        for figure in ("minute_by_minute", "stress_map", "coil")
    ]
    return [one for one in (*made, *texts) if one is not None]


@pytest.mark.parametrize(("cause", "seed"), DAYS)
def test_a_report_is_one_text(cause, seed):
    analysis, parameters = day_of(cause, seed)
    found = drafts(analysis, parameters)
    assert not broken(analysis, found, shown=shown_of(analysis)), found


@pytest.mark.parametrize(
    ("slot", "right", "wrong"),
    [
        ("turned-up", "falls short, by", "slips, by"),
        ("turned-up", "The bass", "The treble"),
        ("turned-up", "short between [8", "short between [7"),
        ("left-playing", "hold", "slip"),
        ("why", "fits", "could be"),
        ("why", "To settle it", "Perhaps, to settle it"),
        ("how-measured", "Nothing was calibrated; levels are those asked for.",
         "Levels are calibrated."),
        ("care", "NIOSH", "35 K of NIOSH"),
        ("at-your-seat", "arrives 3 m", "give or take arrives 3 m"),
    ],
)  # fmt: skip
def test_a_reader_would_see_what_is_wrong(slot, right, wrong):
    analysis, parameters = seated(make_analysis(), checked_parameters(session="."))
    found = drafts(analysis, parameters)
    assert not broken(analysis, found)
    assert right in found[slot]
    assert broken(analysis, found | {slot: found[slot].replace(right, wrong, 1)})


@pytest.mark.slow
@pytest.mark.parametrize(("cause", "seed"), MANY)
def test_so_is_its_page_and_its_paper(cause, seed, monkeypatch):
    """As published: 204 days, without their drawings."""
    drawing = "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 9 9' width='9' height='9'/>"
    sizes = {
        "svg": drawing, "phone_svg": drawing, "width_px": 9, "height_px": 9, "png": b"",
        "read_out": None,
    }  # fmt: skip
    monkeypatch.setattr(pictures, "_drawings", lambda *_, **__: sizes)
    analysis, parameters = day_of(cause, seed)
    found = drafts(analysis, parameters)
    assert not broken(analysis, found, shown=shown_of(analysis)), found
    notebook = report_of(analysis)
    page = re.sub(r"<(script|style|svg)\b.*?</\1>", " ", page_html(notebook), flags=re.DOTALL)
    page = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())
    assert not list(ill_said(page))
    with pikepdf.open(io.BytesIO(pdf_bytes(notebook))) as document:
        paper = " ".join(" ".join(map(words, document.pages)).split())
    assert not list(ill_said(paper))
