"""An executed report notebook in miniature, made by matplotlib and nbformat alone."""

import base64
import functools
import io
import zlib
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure
from nbformat import NotebookNode, v4

from reportlib.write.shown import Picture, Table


@functools.cache
def _drawn() -> tuple[str, bytes]:
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "upheld", "font.size": 9.5}):
        figure = Figure(figsize=(7.5, 3.6), layout="constrained")
        figure.patch.set_alpha(0.0)
        axes = figure.subplots()
        frequency_hz = np.geomspace(20.0, 20e3, 200)
        for level_db, shade in ((84, "#8fb3c4"), (90, "#4b86a3"), (96, "#0d4f6c")):
            change_db = (78 - level_db) / 9 * np.exp(-((frequency_hz / 90.0) ** 0.4))
            axes.semilogx(frequency_hz, change_db, color=shade)
            axes.annotate(f"{level_db} dB", (21.0, change_db[0] + 0.1), fontsize=8.5, color=shade)
        axes.pcolormesh([3e3, 6e3, 9e3], [-2.0, -1.5], [[0.0, 1.0]], rasterized=True, cmap="Blues")
        axes.set(xlabel="Frequency, Hz", ylabel="Change, dB", title="", ylim=(-3, 0.6))
        svg, png = io.StringIO(), io.BytesIO()
        figure.savefig(svg, format="svg", metadata={"Date": None})
        figure.savefig(png, format="png", dpi=60, metadata={"Software": None})
    return svg.getvalue(), png.getvalue()


def make_picture(name: str = "turned-up", **given: Any) -> Picture:
    """A small line drawing with text, a clip path and a rasterised map."""
    svg, png = _drawn()
    words = {
        "caption": "Below 100 Hz it gives way first: a third of the last 6 dB never arrives.",
        "alt": "Three falling lines. At 96 dB the bass is 1.5 dB short at 40 Hz.",
    }
    return Picture(name=name, svg=svg, png=png, width_px=720.0, height_px=345.6, **(words | given))


def make_table(name: str = "short-term", **given: Any) -> Table:
    """What the quoted facts point at."""
    rows = tuple(
        (band, f"{level_db} dB", f"−{0.1 * (level_db - 72) * share:.1f} dB", "0.1 dB")
        for band, share in (("bass", 1.2), ("mids", 0.4), ("treble", 0.1))
        for level_db in (84, 90, 96)
    )
    standard: dict[str, Any] = {
        "caption": "Mean change by band, short-term.",
        "columns": ("Band", "Asked for", "Change", "± (95 %)"),
        "rows": rows,
        "anchors": tuple(f"fact-short.{row[0]}.{row[1][:2]}.mean" for row in rows),
        "numeric": (False, True, True, True),
    }
    return Table(name=name, **(standard | given))


def tiny_png(*, width: int = 40, height: int = 24) -> bytes:
    """A PNG written out by hand after the PNG specification, plain grey."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body).to_bytes(4, "big")
        return len(body).to_bytes(4, "big") + kind + body + check

    header = width.to_bytes(4, "big") + height.to_bytes(4, "big") + bytes((8, 0, 0, 0, 0))
    lines = zlib.compress((b"\0" + bytes((128,)) * width) * height)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", lines) + chunk(b"IEND", b"")
    )


def narrative_cell(text: str, *, slot: str) -> NotebookNode:
    return v4.new_markdown_cell(text, metadata={"tags": ["narrative"], "upheld": {"slot": slot}})


def shown_cell(*shown: Picture | Table, tags: tuple[str, ...] = ()) -> NotebookNode:
    outputs = [v4.new_output("stream", name="stdout", text="a stray print")]
    for item in shown:
        outputs.append(v4.new_output("display_data", data=item._repr_mimebundle_()))
    return v4.new_code_cell(
        "secret_code()", outputs=outputs, execution_count=1, metadata={"tags": list(tags)}
    )


def notebook_of(*cells: NotebookNode, **about: Any) -> NotebookNode:
    standard = {
        "format": 1,
        "title": "Marram 12",
        "kind": "Does the output keep up with the volume?",
        "date": "2026-05-04",
        "verdict": (
            "It keeps its promise up to 90 dB; asked for 96 dB, the bass falls "
            "[−2.9 dB](#fact-short.bass.96.mean) short."
        ),
        "tool_version": "0.1.0",
        "language": "en",
        "description": "How the output of Marram 12 keeps up when the volume rises.",
        "colophon": "Made by upheld 0.1.0 from 14 recordings of 4 May 2026.",
    }
    return v4.new_notebook(cells=list(cells), metadata={"upheld": standard | about})


IN_SHORT = """\
## In short

Turn it up by 10 dB and nearly all of it arrives in the **mids** and the treble. The bass gives
first: asked for 96 dB it is [−2.9 dB](#fact-short.bass.96.mean) short, which a listener
notices as a thinner sound. A made-up [1.0 dB](#fact-nowhere) has no row.

- For a kitchen or a living room it has level to spare.
- For a film night in the boat hall take two of them, or sit nearer.
"""

TURNED_UP = """\
## When it is turned up

Each line shows how much of the asked-for rise arrived. *Zero is a promise kept.* What lies below
is lost, and see [the table](#table-short-term).

| asked for | arrived |
|:----------|--------:|
| 90 dB     | 89.1 dB |
| 96 dB     | 94.8 dB |

### Why the bass goes first

The cone has to move four times as far for every octave down.
"""

OWN = """\
My own note: measured twice, with the grille off. ![The set-up](attachment:set%20up.png)

> It was a windy day; the doors stayed shut.
"""


def sample_notebook(**about: Any) -> NotebookNode:
    own = v4.new_markdown_cell(OWN)
    own["attachments"] = {
        "set up.png": {"image/png": base64.b64encode(tiny_png(width=300, height=120)).decode()}
    }
    return notebook_of(
        shown_cell(tags=("parameters",)),
        narrative_cell(IN_SHORT, slot="in-short"),
        shown_cell(make_picture("level-ladder", phone_svg=_drawn()[0])),
        narrative_cell(TURNED_UP, slot="turned-up"),
        shown_cell(make_picture(), make_table()),
        own,
        v4.new_markdown_cell("never shown", metadata={"tags": ["notebook-only"]}),
        shown_cell(
            make_table(
                "points",
                caption="Every point of the curves.",
                columns=("Frequency", "84 dB", "90 dB", "96 dB"),
                rows=tuple(
                    (f"{20 * 2 ** (n / 6):.0f} Hz", "−0.1", "−0.4", "−1.2") for n in range(60)
                ),
                anchors=("",) * 60,
                folded=True,
            )
        ),
        **about,
    )


def report_of_words(words: str) -> NotebookNode:
    """Return a report with these words wherever a person can type them."""
    table = make_table(
        caption=words,
        columns=(words, "b", "c", "d"),
        rows=((words, "2", words, "4"),),
        anchors=("",),
    )
    return notebook_of(
        shown_cell(make_picture(alt=words, caption=words), table),
        title=words,
        kind=words,
        description=words,
        colophon=words,
    )
