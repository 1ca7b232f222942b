"""Pictures to share: name, verdict and level ladder, square and wide.

Made when the report is published, since the verdict is the reviewer's by then.
"""

import json

from reportlib.draw.press import pressed
from reportlib.publish.prose import plain_text, unbroken
from reportlib.publish.publication import Figure, Publication
from reportlib.session.files import templates_folder
from reportlib.write import shown

SIZES_PX = {"square": (1080, 1080), "wide": (1200, 630)}
"""What most places show whole: a square in a feed, 1.91 : 1 in a link's preview (common practice,
no source)."""
_MOST_LETTERS = 400
"""About what fits; typst fits the rest by cutting it letter by letter."""


def sharing_pictures(publication: Publication) -> dict[str, bytes]:
    """Return the two pictures as PNG and their alternative text, by file name.

    Raises
    ------
    RenderError
        Typst refused one of them.
    """
    ladder = publication.ladder
    verdict = plain_text(publication.verdict).strip()
    alt = ladder.picture.alt if ladder else ""
    said = (f"{publication.title}: {publication.kind}", verdict, alt)
    made = {
        f"sharing/{shape}.png": _png(publication, shape=shape, verdict=verdict)
        for shape in SIZES_PX
    }
    return made | {"sharing/alt.txt": f"{' '.join(filter(None, said))}\n".encode()}


def _png(publication: Publication, *, shape: str, verdict: str) -> bytes:
    size_px, svg = (0.0, 0.0), b""
    if publication.ladder:
        size_px, svg = _drawn(publication.ladder, phone=shape == "wide")
    words = {"title": publication.title, "kind": publication.kind, "verdict": verdict}
    about = {name: _cut(unbroken(text)) for name, text in words.items()} | {
        "size": SIZES_PX[shape],
        "ladder": size_px,
        "paper": shown.PAPER,
        "sea": shown.SEA,
        "ink": shown.INK,
    }
    return pressed(
        (templates_folder() / "sharing" / "index.typ").read_text("utf-8"),
        what="a picture to share",
        format="png",
        ppi=72.0,
        sys_inputs={"about": json.dumps(about), "ladder": svg.decode()},
    )


def _drawn(ladder: Figure, *, phone: bool) -> tuple[tuple[float, float], bytes]:
    """Return size and text of the drawing: that for phones is as high as it is wide."""
    drawing = ladder.for_phone if phone and ladder.for_phone else ladder.drawing
    _, _, width_px, height_px = map(float, drawing.view_box.replace(",", " ").split())
    return (width_px, height_px), drawing.standalone(width_px=width_px, height_px=height_px)


def _cut(text: str) -> str:
    return text if len(text) <= _MOST_LETTERS else f"{text[: _MOST_LETTERS - 1].rstrip()}…"
