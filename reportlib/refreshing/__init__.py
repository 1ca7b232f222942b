"""Making many reports again, each session in a process of its own, by the same run as one.

making      one session made again where it is out of date, on a disk or in a store
child       the process that does it, from outside
crew        sessions handed out, outcomes taken, an end that is clean
cluster     the same by the workers of a Dask cluster
outcome     what is to be done in a session, and what became of it
"""

from reportlib.refreshing.crew import Here, refresh
from reportlib.refreshing.outcome import Outcome

__all__ = ["Here", "Outcome", "refresh"]
