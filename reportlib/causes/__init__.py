"""Why: what a day's changes fit, by rules over evidence.

    evidence      the records that rules look at
    distil        from an `Analysis` to that evidence
    stretches     contiguous stretches of frequency that changed
    growth        how a change grows with level
    timing        what playing on does, and at once
    instruments   rules for what is not the loudspeaker's
    instant       rules for what acts at once
    soaking       what those for heat ask of the stress
    warming       rules for the coil's heat
    slow          rules for what else needs time
    law           whether one law of level explains what is missing
    case          one cause held against one stretch
    table         every cause: name, rule, source, the measurement that would settle it
    weigh         from cases to findings: rivals, order, confidence

"Fits", never "is": a cause is named where nothing speaks against it and two signatures of three
(time, frequency, level) fit; *no cause shown* is a result.
"""

from reportlib.causes.distil import evidence_of
from reportlib.causes.evidence import Evidence
from reportlib.causes.table import CAUSE_NAMES, CAUSES, NONE_SHOWN, Cause
from reportlib.causes.weigh import find_causes, findings_from

__all__ = [
    "CAUSES",
    "CAUSE_NAMES",
    "NONE_SHOWN",
    "Cause",
    "Evidence",
    "evidence_of",
    "find_causes",
    "findings_from",
]
