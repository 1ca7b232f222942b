"""The reviewer's state, ``.upheld/memory.json``: one record, one reader, one rule for damage.

Where the file is missing or damaged the empty record stands for it: then every narrative cell
counts as edited, and no word is lost. A damaged one is kept in ``.upheld/history/`` before it is
written over. It is written beside and renamed, by whoever holds the session's lock; a kernel
only reads it. What a run found lies apart, in ``.upheld/results/`` (`results`).
"""

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from reportlib.errors import RenderError
from reportlib.publish.kinds import Last
from reportlib.session import files
from reportlib.session.parameters import Paper
from reportlib.write.changed import Published

FOLDER = ".upheld"
FILE = f"{FOLDER}/memory.json"
_EARLIER = {
    "written": f"{FOLDER}/written.json",
    "paper": f"{FOLDER}/publication.json",
    "published": f"{FOLDER}/published.json",
    "rendered": f"{FOLDER}/rendered.json",
    "why_kept": f"{FOLDER}/history/why.json",
}
RENDERED = (FILE, _EARLIER["rendered"])
"""Files of which one says what ``out/`` was made from, the second in sessions made before."""


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """What was rendered.

    Attributes
    ----------
    tool_version : that rendered it
    notebook : SHA-256 of the notebook file
    words : digest of what people may have written in it, whatever Jupyter changed beside that
    results : SHA-256 of the kept ``results.json``
    verdict : the page's headline as plain text
    """

    tool_version: str
    notebook: str
    words: str
    results: str
    verdict: str


@dataclass(frozen=True, kw_only=True)
class Memory:
    """What is remembered of a session, or of a comparison.

    Attributes
    ----------
    written : what the notebook was last filled with
    paper : what the PDF is set for
    published : every publication, the oldest first
    rendered : what ``out/`` was made from, None where that is not known
    why_kept : why the notebooks in the history were kept, by their number
    """

    written: Last = field(default_factory=Last)
    paper: Paper = "a4"
    published: tuple[Published, ...] = ()
    rendered: Rendered | None = None
    why_kept: Mapping[int, str] = field(default_factory=dict)


_FORM = TypeAdapter(Memory)


def read(session_folder: Path) -> Memory:
    """Read what is remembered; the empty record where that is missing or damaged."""
    try:
        return _FORM.validate_json(files.read_bytes(session_folder / FILE, inside=session_folder))
    except FileNotFoundError:
        return _read_earlier(session_folder)
    except (OSError, ValueError):
        return Memory()


def change(session_folder: Path, **changed: Any) -> None:
    """Remember some fields of `Memory` anew, the others as they were.

    Raises
    ------
    RenderError
        It could not be written.
    """
    path = session_folder / FILE
    files.refuse_links(path, inside=session_folder)
    before = read(session_folder)
    if before == Memory() and path.is_file():
        files.keep_copy(path, session_folder / FOLDER / "history", inside=session_folder)
    now = _FORM.dump_python(replace(before, **changed))
    text = json.dumps(now, ensure_ascii=False, indent=1, default=sorted)  # sets have no order
    files.write_text_safely(path, text + "\n", inside=session_folder)
    for name in _EARLIER.values():
        with suppress(OSError, RenderError):
            files.refuse_links(session_folder / name, inside=session_folder)
            (session_folder / name).unlink(missing_ok=True)


def _read_earlier(session_folder: Path) -> Memory:
    """Read what versions kept that had a file for each part; a damaged one counts as missing."""
    parts: dict[str, Any] = {}
    for part, name in _EARLIER.items():
        with suppress(OSError, ValueError):
            held = files.read_bytes(session_folder / name, inside=session_folder)
            text = held if part == "paper" else b'{"%s": %s}' % (part.encode(), held)
            parts[part] = getattr(_FORM.validate_json(text), part)
    return Memory(**parts)
