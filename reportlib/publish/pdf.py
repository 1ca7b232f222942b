"""The PDF: typst source from the exporter, set by the ``typst`` wheel.

The document is PDF/A-3a and PDF/UA-1 by the maker's own enforcement: tagged, with alternative
texts, a language, embedded fonts, and the report's data attached. Fonts come from the wheel and
from matplotlib's own folder, never from the machine, and the date from the report, so that the
same notebook gives the same bytes. Two things make it give way, rather than fail, and no further
than they must:

- a report without a date cannot be PDF/A (an invented date would be false): PDF/UA-1 remains;
- letters that none of those fonts has (a name in Japanese) are looked for among the machine's
  fonts, and where it has none either, the PDF is made without the promise of the standards.
"""

import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from reportlib.errors import RenderError
from reportlib.folders import own_folder
from reportlib.fonts import shipped_fonts
from reportlib.parameters import Paper
from reportlib.publish.published import Publication, read_publication

_NO_GLYPH = re.compile("could not be displayed|PDF contains the codepoint")


@dataclass(frozen=True, kw_only=True)
class ForPaper:
    """What a notebook's PDF is set from; see `set_typst`."""

    source: str
    files: Mapping[str, bytes]
    dated: bool


def pdf_bytes(
    nb: Mapping[str, Any],
    *,
    paper: Paper = "a4",
    data: Mapping[str, bytes] | None = None,
    publication: Publication | None = None,
) -> bytes:
    """Set an executed notebook for paper; see `for_paper`."""
    laid_out = for_paper(nb, paper=paper, data=data, publication=publication)
    return set_typst(laid_out.source, files=laid_out.files, dated=laid_out.dated)


def for_paper(
    nb: Mapping[str, Any],
    *,
    paper: Paper = "a4",
    data: Mapping[str, bytes] | None = None,
    publication: Publication | None = None,
) -> ForPaper:
    """Lay an executed notebook out for paper.

    Parameters
    ----------
    nb : notebook, nbformat 4.5, in memory
    paper : ``"a4"`` or ``"letter"`` (US letter)
    data : name and content of the report's data files; those of `exporter_typst.ATTACHED`
        travel in the PDF
    publication : what the notebook shows, where it has been read already

    Raises
    ------
    RenderError
        What the notebook shows is damaged.
    """
    from reportlib.publish.exporter_typst import ATTACHED, PAPERS_PT, TypstExporter

    if paper not in PAPERS_PT:
        raise RenderError(f"paper {paper!r} is not known; choose one of {', '.join(PAPERS_PT)}.")
    publication = publication or read_publication(nb)
    attached = {name: content for name, content in (data or {}).items() if name in ATTACHED}
    source, resources = TypstExporter(paper=paper).from_notebook_node(
        nb, resources={"publication": publication, "outputs": attached}
    )
    return ForPaper(source=source, files=resources["outputs"], dated=publication.date is not None)


def set_typst(source: str, *, files: Mapping[str, bytes], dated: bool) -> bytes:
    """Set typst source for paper.

    Parameters
    ----------
    source : in which everything that anyone typed is a string literal
    files : what it refers to, by name
    dated : whether the document carries a date, without which it can't be PDF/A

    Raises
    ------
    RenderError
        Typst refused the document; the line carries its reason.
    """
    import typst

    compiled: Callable[..., bytes] = typst.compile  # its own annotations allow no such call
    standards = ["a-3a", "ua-1"] if dated else ["ua-1"]
    attempts = ((True, standards), (False, standards), (False, standards[:0]))
    with own_folder() as root:
        for name, data in files.items():
            (root / name).write_bytes(data)
        fonts = root / "fonts"
        fonts.mkdir()
        for font in shipped_fonts():
            shutil.copy(font, fonts)
        for own_fonts_only, promised in attempts:
            try:
                pdf = compiled(
                    source.encode(),
                    root=str(root),
                    font_paths=[str(fonts)],
                    ignore_system_fonts=own_fonts_only,
                    pdf_standards=promised,
                )
            except typst.TypstError as error:
                if promised and _NO_GLYPH.search(error.message):
                    continue
                reason = " ".join(error.message.split())
                raise RenderError(f"the PDF could not be set: typst says {reason!r}.") from error
            else:
                return pdf
    raise AssertionError("the last attempt either returns or raises")
