"""Numbers that a person typed by hand, held against the data: false, borne out, can't be checked.

    data        what claims are compared with, from an analysis or from kept files
    sentences   Markdown to plain sentences; quoted facts are not hand-typed
    numbers     amounts in a sentence: digits and words, units, "about", "at least", ranges
    reading     what a sentence claims: where, at what level, how much, holds or not
    against     the comparison

A wrong accusation is worse than silence: what a sentence leaves open can't be checked.
"""

from reportlib.claims.against import Checked, check_sentence, check_text
from reportlib.claims.data import ClaimData, data_from_analysis, data_from_files

__all__ = [
    "Checked",
    "ClaimData",
    "check_sentence",
    "check_text",
    "data_from_analysis",
    "data_from_files",
]
