"""What became of one session of an archive that was refreshed."""

from dataclasses import dataclass
from typing import Any, Literal

from reportlib.archive.changed import Difference

Kind = Literal["up to date", "made", "skipped", "failed"]


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of a session.

    Attributes
    ----------
    folder : from the archive's on
    line : why it was skipped, or what failed
    why : why its report was made again
    changed : what its row says otherwise now, where it said something before
    read_again : why words are to be read again, by slot
    not_run : how many code cells of its notebook were not run, since they may be a stranger's
    seconds : that it took
    """

    folder: str
    kind: Kind
    line: str = ""
    why: tuple[str, ...] = ()
    changed: tuple[Difference, ...] = ()
    read_again: tuple[str, ...] = ()
    not_run: int = 0
    seconds: float = 0.0


def outcome_of(answer: dict[str, Any], *, folder: str) -> Outcome:
    """Return the outcome that a worker's answer tells.

    Raises
    ------
    KeyError, TypeError
        It tells none.
    """
    return Outcome(
        folder=folder,
        kind=answer["kind"],
        line=str(answer.get("line", "")),
        why=tuple(answer.get("why", ())),
        changed=tuple(Difference(**one) for one in answer.get("changed", ())),
        read_again=tuple(answer.get("read_again", ())),
        not_run=int(answer.get("not_run", 0)),
        seconds=float(answer.get("seconds", 0.0)),
    )
