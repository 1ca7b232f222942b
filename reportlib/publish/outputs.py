"""From the executed notebook to ``out/``: page, section, plain texts, PDF, figures and data.

Nothing here computes or words anything; what is shown comes out of the notebook, so that
publishing needs no analysis. Everything is written into a fresh folder beside ``out/``, which
takes its place by renaming only when it is whole.
"""

import re
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from reportlib.errors import RenderError
from reportlib.publish.publication import Figure, Prose, Publication, read_publication
from reportlib.publish.sharing import sharing_pictures
from reportlib.publish.typeset import for_paper, set_typst
from reportlib.session import files, lock
from reportlib.session.parameters import Paper
from reportlib.write.shown import Picture


def page_html(nb: Mapping[str, Any], *, publication: Publication | None = None) -> str:
    """Return one self-contained HTML page of an executed notebook.

    Parameters
    ----------
    nb : notebook, nbformat 4.5, in memory
    publication : what the notebook shows, where it has been read already

    Raises
    ------
    NotebookError, RenderError
        The notebook is no report, or what it shows is damaged.
    """
    from reportlib.publish.page import PageExporter

    resources = {"publication": publication or read_publication(nb)}
    return PageExporter().from_notebook_node(nb, resources=resources)[0]


def section_html(nb: Mapping[str, Any], *, publication: Publication | None = None) -> str:
    """Return the same as one ``<section>``, to paste into a site; see `page_html`."""
    from reportlib.publish.page import SectionExporter

    resources = {"publication": publication or read_publication(nb)}
    return SectionExporter().from_notebook_node(nb, resources=resources)[0]


def report_markdown(nb: Mapping[str, Any], *, publication: Publication | None = None) -> str:
    """Return the same as Markdown, for static-site generators, with the files of `pictures`."""
    from reportlib.publish.plain import MarkdownExporter

    resources = {"publication": publication or read_publication(nb)}
    return MarkdownExporter().from_notebook_node(nb, resources=resources)[0]


def pictures(nb: Mapping[str, Any], *, publication: Publication | None = None) -> dict[str, bytes]:
    """Return the files that it refers to, by name: every figure as SVG, as drawn, and as
    PNG, and what was pasted into cells.
    """
    return files_beside(publication or read_publication(nb))


def write_outputs(
    nb: Mapping[str, Any], *, out: Path, data: Mapping[str, bytes], paper: Paper = "a4"
) -> list[Path]:
    """Make everything that is published and put it in place of `out`.

    Parameters
    ----------
    nb : executed notebook, nbformat 4.5, in memory
    out : folder to make anew; what was in it goes
    data : name and content of the files of ``out/data/``
    paper : what the PDF is set for

    Returns
    -------
    list of Path
        The files, page first.

    Raises
    ------
    NotebookError, RenderError
        Something could not be made or written; `out` is then as it was.
    """
    for name in data:
        if not re.fullmatch(r"\w[\w.-]*", name):
            raise RenderError(f"data file {name!r} would not lie in {out / 'data'}.")
    publication = read_publication(nb)
    laid_out = for_paper(nb, paper=paper, data=data, publication=publication)
    with ThreadPoolExecutor(1) as press, lock.fresh_folder(out, inside=out.parent) as fresh:
        # Typst needs no interpreter: all the rest is made and written meanwhile.
        pdf = press.submit(set_typst, laid_out.source, files=laid_out.files, dated=laid_out.dated)
        texts = {
            "report.html": page_html(nb, publication=publication).encode(),
            "section.html": section_html(nb, publication=publication).encode(),
            "report.md": report_markdown(nb, publication=publication).encode(),
        }
        beside = pictures(nb, publication=publication) | sharing_pictures(publication)
        beside |= {f"data/{name}": content for name, content in data.items()}
        for name, content in (texts | beside).items():
            files.write_new(fresh / name, content)
        files.write_new(fresh / "report.pdf", pdf.result())
    return [out / name for name in (*texts, "report.pdf", *beside)]


def figure_file(picture: Picture) -> str:
    """Return where a figure's pixels lie, from the folder of the texts."""
    return f"figures/{picture.name}.png"


def pasted_files(publication: Publication) -> tuple[dict[str, str], ...]:
    """Return for each block the file of each attachment by its name, numbered through."""
    found: list[dict[str, str]] = []
    count = 0
    for block in publication.blocks:
        files = {}
        if isinstance(block, Prose):
            for name, (mime, _) in block.attachments.items():
                count += 1
                files[name] = f"figures/pasted-{count}.{mime.removeprefix('image/')}"
        found.append(files)
    return tuple(found)


def files_beside(publication: Publication) -> dict[str, bytes]:
    """Return every such file by name: figures as vector, pixels and for phones, and what
    was pasted.
    """
    contents: dict[str, bytes] = {}
    for block, pasted in zip(publication.blocks, pasted_files(publication), strict=True):
        match block:
            case Figure(picture=picture):
                contents[f"figures/{picture.name}.svg"] = picture.svg.encode()
                contents[figure_file(picture)] = picture.png
                if picture.phone_svg:
                    contents[f"figures/{picture.name}-phone.svg"] = picture.phone_svg.encode()
            case Prose():
                contents |= {file: block.attachments[name][1] for name, file in pasted.items()}
    return contents
