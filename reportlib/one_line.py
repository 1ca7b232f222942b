"""Keep a message on one line, whatever names and values from outside stand in it."""

import unicodedata

_BENT = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # Unicode's controls, marks, surrogates, separators


def one_line(text: str) -> str:
    r"""Return `text` with every character that breaks or bends a line written out.

    >>> one_line("captures/a\nb.wav")
    'captures/a\\nb.wav'
    """
    return "".join(repr(c)[1:-1] if unicodedata.category(c) in _BENT else c for c in text)
