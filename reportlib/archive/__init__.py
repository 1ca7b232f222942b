"""A folder of sessions: found, listed, filtered, and told apart by what is out of date.

columns     the table's columns, and what they mean
rows        one session's row, out of what a run kept
sessions    finding them below a folder
where       the filter's grammar, compiled to a parameterised SQL expression
index       the table in SQLite, brought up to date from the sessions
stale       why a report is to be made again (imported by itself: it takes longer)
changed     what a session's row says otherwise than before
"""

from reportlib.archive.changed import Difference, differences
from reportlib.archive.columns import COLUMNS, Column, Value
from reportlib.archive.index import Index, read_index
from reportlib.archive.rows import row_of
from reportlib.archive.where import Filter, compile_filter

__all__ = [
    "COLUMNS",
    "Column",
    "Difference",
    "Filter",
    "Index",
    "Value",
    "compile_filter",
    "differences",
    "read_index",
    "row_of",
]
