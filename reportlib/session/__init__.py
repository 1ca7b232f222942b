"""A session folder, read and written: the facts of the day, its recordings, safe files.

``day`` holds the facts of a day as frozen records, ``records`` what is read of its captures; every
room uses both. ``reading`` makes a `day.Session` of ``session.toml`` (``schema``: what it may hold;
``faults``: how what is wrong is said; ``toml_text``: the file as text). ``captures``, ``audio`` and
``columns`` read recordings and column text; ``parameters`` is what a report may be told; ``files``
writes so that nothing is ever half there, ``lock`` lets one run at a time into a folder.
"""

from typing import Any


def __getattr__(name: str) -> Any:
    """Hand out `read_session`, which notebooks made earlier import from here."""
    if name == "read_session":
        from reportlib.session import reading

        return reading.read_session
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
