"""How a table is laid out where room is short: on a phone, and around long texts on paper.

Widths are reckoned in characters, as nobody measures type here.
"""

from reportlib.shown import Table

PHONE_CHARACTERS = 40
"""So many of a table's characters stand side by side on a phone of 360 px."""
GAP_CHARACTERS = 2
ROOMY_CELL = 16
"""Longer words are not squeezed to one a line."""
LONG_CELL = 60
"""A longer text makes a line of its own below its row."""


def sides_of(table: Table) -> list[str]:
    """Return ``"number"`` for each column that aligns right, else ``"words"``."""
    return [
        "number" if right else "words" for right in table.numeric or [False] * len(table.columns)
    ]


def anchors_of(table: Table) -> tuple[str, ...]:
    """Return the anchors of each row, none where the table has none."""
    return table.anchors or ("",) * len(table.rows)


def too_wide_for_a_phone(table: Table) -> bool:
    """Tell whether the table is wider than a phone, or would be of one word a line there."""
    if long_columns(table):
        return True
    return sum(least + GAP_CHARACTERS for least in _least_widths(table)) > PHONE_CHARACTERS


def long_columns(table: Table) -> tuple[int, ...]:
    """Return which columns hold texts that would make a row tall, the first one never."""
    return tuple(
        index
        for index, cells in enumerate(zip(*table.rows, strict=True))
        if index and max(map(len, cells)) > LONG_CELL
    )


def classes_of(table: Table) -> list[str]:
    """Return each column's classes in a page: its side, and whether its words need room."""
    long = long_columns(table)
    found = []
    for index, side in enumerate(sides_of(table)):
        longest = max((len(cells[index]) for cells in table.rows), default=0)
        if index in long:
            found.append(f"{side} long")
        elif side == "words" and longest > ROOMY_CELL:
            found.append("words roomy")
        else:
            found.append(side)
    return found


def _least_widths(table: Table) -> list[int]:
    """Return each column's width in characters: a number is never broken, words are."""
    columns = zip(table.columns, *table.rows, strict=True)
    return [
        max(map(len, cells))
        if side == "number"
        else max((len(word) for cell in cells for word in cell.split()), default=0)
        for side, cells in zip(sides_of(table), columns, strict=True)
    ]
