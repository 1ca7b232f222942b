"""Markdown to plain sentences; what a quoted fact says is the tool's, not the writer's."""

import re

_DROPPED = re.compile(
    r"```.*?```|`[^`\n]*`|<!--.*?-->|!\[[^\]]*\]\([^)]*\)|^\s*#.*?$|^\s*\|.*?$",
    re.DOTALL | re.MULTILINE,
)
_FACT = re.compile(r"\[[^\[\]\n]*\]\(#fact-[\w.-]+\)")
_LINK = re.compile(r"\[([^\[\]\n]*)\]\([^)\n]*\)")
_MARKS = re.compile(r"[*_~]{1,3}(?=\S)|(?<=\S)[*_~]{1,3}|<[^>\n]*>|\\(?=[^\w\s])")
_END = re.compile(r"(?<=[.!?;])[”\"’)]*\s+(?=[A-Z“\"‘(0-9])|\n\s*\n|\n\s*(?:[-*+]|\d+\.)\s+")
_ITEM = re.compile(r"^\s*(?:[-*+]|\d+\.)\s+")
QUOTED = "…"
"""What stands in place of a quoted fact."""


def sentences(text: str) -> list[str]:
    r"""Return the sentences of a Markdown text, plain, without code, headings and tables.

    >>> sentences("## Mids\n\nThe *mids* lose [−1.5 dB](#fact-a) at 94 dB. They hold at 90 dB.")
    ['The mids lose … at 94 dB.', 'They hold at 90 dB.']
    """
    text = _FACT.sub(QUOTED, text.replace("\r\n", "\n"))
    text = "\n\n" + _LINK.sub(r"\1", _DROPPED.sub("\n\n", text))
    found = []
    for part in _END.split(text):
        plain = " ".join(_MARKS.sub("", _ITEM.sub("", part)).split())
        if plain:
            found.append(plain)
    return found
