"""The kinds of notebook that the tool makes, and what it last wrote into one.

All that is the same for both (merging, running, the memory, publishing) is handed a `Kind`; what
is not said in it differs in the notebooks themselves.

By itself, so that the kernel, which only keeps results, need not import nbformat: that takes
longer than a measuring day's analysis.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of notebook and the folder that it lives in.

    Attributes
    ----------
    name : as it is said in a message
    notebook : file name in its folder
    template : file name in ``notebooks/``
    verb : the command that makes it
    before_folder : what stands between the command and the folder
    data : names of the files in ``out/data``, which are kept in ``.upheld/results`` too
    stages : what begins with a cell, by the cell's name, in the order of the notebook
    """

    name: str
    notebook: str
    template: str
    verb: str
    before_folder: str = ""
    data: tuple[str, ...]
    stages: Mapping[str, str]

    def command(self, folder: Path) -> str:
        """Return the command that makes it anew.

        >>> COMPARISON.command(Path("compared"))
        'upheld compare --into compared'
        """
        return f"{self.verb} {self.before_folder}{folder}"


REPORT = Kind(
    name="report",
    notebook="report.ipynb",
    template="compression.ipynb",
    verb="upheld report",
    data=("compression.csv", "results.json"),
    stages={
        "measure": "measuring {count} files",
        "compare": "comparing the levels, fitting what it lost while it played",
        "in-short": "drawing figures and tables",
    },
)
COMPARISON = Kind(
    name="comparison",
    notebook="comparison.ipynb",
    template="comparison.ipynb",
    verb="upheld compare",
    before_folder="--into ",
    data=("comparison.csv", "results.json"),
    stages={
        "measure": "measuring {count} sessions",
        "compare": "comparing them",
        "in-short": "drawing figures and tables",
    },
)


def kind_of(folder: Path) -> Kind:
    """Return which kind lives in a folder: a report, unless what a comparison leaves lies there.

    A folder with a ``session.toml`` is a session, whatever else was put into it.
    """
    left = (folder / COMPARISON.notebook, folder / ".upheld" / "results" / COMPARISON.data[0])
    is_session = (folder / "session.toml").exists()
    return COMPARISON if not is_session and any(path.exists() for path in left) else REPORT


def kind_named(notebook: str) -> Kind:
    """Return the kind whose notebook has this file name, a report's for any other."""
    return COMPARISON if notebook == COMPARISON.notebook else REPORT


@dataclass(frozen=True, kw_only=True)
class Last:
    """What the tool last wrote.

    Attributes
    ----------
    drafts : text of the narrative cells by slot, empty where the memory is lost
    cells : names of all that the notebook was given, those that the reviewer deleted among them;
        empty where not known
    about : what it wrote into the metadata of cells, by the digest of the text that it left there
    facts, judged : what facts and judgements read like then, by name
    """

    drafts: Mapping[str, str] = field(default_factory=dict)
    cells: frozenset[str] = frozenset()
    about: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    facts: Mapping[str, str] = field(default_factory=dict)
    judged: Mapping[str, str] = field(default_factory=dict)
