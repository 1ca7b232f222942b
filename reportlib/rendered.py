"""What a session's ``out/`` was made from, in ``.upheld/rendered.json``.

Page, section and PDF come from the saved notebook and the kept results. Which ones those were
is written down when they are rendered, so that it can be told later whether they still are.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from reportlib import __version__, files

_FILE = ".upheld/rendered.json"


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


def keep_rendered(session_folder: Path, *, notebook: bytes, results: bytes, verdict: str) -> None:
    """Write down what the session's ``out/`` has just been made from.

    Raises
    ------
    RenderError
        It could not be written.
    """
    kept = Rendered(
        tool_version=__version__,
        notebook=hashlib.sha256(notebook).hexdigest(),
        words=words_digest(notebook),
        results=hashlib.sha256(results).hexdigest(),
        verdict=verdict,
    )
    text = json.dumps(asdict(kept), ensure_ascii=False, indent=1) + "\n"
    files.write_text_safely(session_folder / _FILE, text, inside=session_folder)


def read_rendered(session_folder: Path) -> Rendered | None:
    """Read what ``out/`` was made from; None where that is not known, or damaged."""
    try:
        kept = json.loads(files.read_bytes(session_folder / _FILE, inside=session_folder))
        return Rendered(**{name: str(value) for name, value in kept.items()})
    except (OSError, ValueError, TypeError, AttributeError, RecursionError):
        return None


def words_digest(notebook: bytes) -> str:
    r"""Return a digest of a notebook's cells as people write them: kind, text, attachments.

    Outputs, run counts and what editors keep beside the cells do not count. Bytes that are no
    notebook have a digest of their own.

    >>> one = b'{"cells": [{"cell_type": "markdown", "source": ["a\\n", "b"], "id": "1"}]}'
    >>> words_digest(one) == words_digest(one.replace(b'["a\\n", "b"]', b'"a\\nb"'))
    True
    >>> words_digest(one) == words_digest(one.replace(b"a", b"c"))
    False
    """
    try:
        cells = [_of_cell(cell) for cell in json.loads(notebook)["cells"]]
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return hashlib.sha256(notebook).hexdigest()
    return hashlib.sha256(json.dumps(cells, sort_keys=True).encode()).hexdigest()


def _of_cell(cell: Mapping[str, Any]) -> list[Any]:
    source = cell.get("source", "")
    text = source if isinstance(source, str) else "".join(map(str, source))
    return [cell["cell_type"], text, cell.get("attachments", {})]
