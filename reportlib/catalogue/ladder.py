"""A level ladder a few pixels high: bands from the top down, levels from the left, no words.

It stands in a page as a picture of its own, so that it turns dark with the reader's screen by
itself. The page says what it shows.
"""

import json

from reportlib import palette

_WIDTH, _HEIGHT, _GAP = 20, 14, 3
_LID = 3
"""In drawing units; most that a box for more than asked rises above its own."""
_STYLE = (
    f".a{{fill:{palette.WATER}}}.b{{fill:{palette.SEA}}}.c{{fill:{palette.INK}}}"
    f".d{{fill:none;stroke:{palette.UNTOLD};stroke-dasharray:2 2}}"
    "@media(prefers-color-scheme:dark){.a{fill:#25414f}.b{fill:#8ec7dc}.c{fill:#e9e3d6}}"
)


def ladder_svg(ladder: str) -> str:
    """Return the drawing of a ladder, as `archive.rows.ladder_of` writes it.

    Empty where it is no ladder.

    >>> ladder_svg("[[1.0, 0.5]]").count("<rect"), ladder_svg("")
    (4, '')
    """
    try:
        rows = json.loads(ladder)
        shares = [[None if one is None else float(one) for one in row] for row in rows]
    except (ValueError, TypeError):
        return ""
    columns = max((len(row) for row in shares), default=0)
    if not columns:
        return ""
    boxes = [
        _box(share, left=column * (_WIDTH + _GAP), top=_LID + row * (_HEIGHT + _GAP))
        for row, across in enumerate(shares)
        for column, share in enumerate(across)
    ]
    width = columns * (_WIDTH + _GAP) - _GAP
    height = _LID + len(shares) * (_HEIGHT + _GAP) - _GAP
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}"><style>{_STYLE}</style>{"".join(boxes)}</svg>\n'
    )


def _box(share: float | None, *, left: int, top: int) -> str:
    if share is None:
        return _rect("d", left=left + 0.5, top=top + 0.5, width=_WIDTH - 1, height=_HEIGHT - 1)
    full = min(share, 1.0) * _HEIGHT
    drawn = _rect("a", left=left, top=top, width=_WIDTH, height=_HEIGHT)
    drawn += _rect("b", left=left, top=top + _HEIGHT - full, width=_WIDTH, height=full)
    lid = min((share - 1.0) * _HEIGHT, _LID)
    if lid >= 0.5:
        drawn += _rect("c", left=left, top=top - lid, width=_WIDTH, height=lid)
    return drawn


def _rect(kind: str, *, left: float, top: float, width: float, height: float) -> str:
    return (
        f'<rect class="{kind}" x="{left:g}" y="{top:.4g}" width="{width}" height="{height:.4g}"/>'
    )
