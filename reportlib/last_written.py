"""What the tool last wrote into a notebook; `memory` keeps it, `merge` reads it.

By itself, so that the kernel, which only keeps results, need not import nbformat: that takes
longer than a measuring day's analysis.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, kw_only=True)
class Last:
    """What the tool last wrote.

    Attributes
    ----------
    drafts : text of the narrative cells by slot, empty where the memory is lost
    names : of all cells that the notebook was given, those that the reviewer deleted among them;
        empty where not known
    about : what it wrote into the metadata of cells, by the digest of the text that it left there
    """

    drafts: Mapping[str, str] = field(default_factory=dict)
    names: frozenset[str] = frozenset()
    about: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
