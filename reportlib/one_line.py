"""Keep a message on one line, whatever names and values from outside stand in it."""

import re
import unicodedata

_BENT = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # Unicode's controls, marks, surrogates, separators


def one_line(text: str) -> str:
    r"""Return `text` with every character that breaks or bends a line written out.

    >>> one_line("captures/a\nb.wav")
    'captures/a\\nb.wav'
    """
    return re.sub("[^ -~]", lambda c: repr(c[0])[1:-1] if bends(c[0]) else c[0], text)


def bends(character: str) -> bool:
    """Whether a character breaks or bends a line, or does anything to a terminal but show."""
    return unicodedata.category(character) in _BENT
