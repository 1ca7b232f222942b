"""What this project's own processes leave out of an import, since nothing here uses it.

Libraries never call this when they are imported, only commands and their workers when they begin:
a notebook in which somebody imports them has everything.
"""

import contextlib
import sys
from collections.abc import Iterator

GRAMMAR = "rfc3987_syntax"


@contextlib.contextmanager
def without_address_grammar() -> Iterator[None]:
    """Let jsonschema, which nbformat imports, do without its check of international addresses.

    The check is optional, and no notebook's schema has such an address. Where it is installed
    (the ``jupyter`` package brings it), jsonschema loads it at its own import, and it builds a
    grammar then: 2 s of 2.4 s on a slow machine. Afterwards it can be imported again.
    """
    if GRAMMAR in sys.modules:
        yield
        return
    sys.modules[GRAMMAR] = None  # type: ignore[assignment]  # importing it is an ImportError
    try:
        yield
    finally:
        del sys.modules[GRAMMAR]
