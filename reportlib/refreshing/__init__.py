"""Making many reports again: several worker processes, each session by the same run as one.

worker      the process that makes one report after another
crew        the processes, from outside: work handed out, answers taken, an end that is clean
outcome     what became of a session
"""

from reportlib.refreshing.crew import refresh
from reportlib.refreshing.outcome import Outcome

__all__ = ["Outcome", "refresh"]
