"""One cause held against one stretch of the evidence."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from reportlib.causes.evidence import Stretch, WhilePlaying
from reportlib.numbers import frequency

Sign = Literal["fits", "against", "untold"]


@dataclass(frozen=True, kw_only=True)
class Case:
    """What speaks for and against a cause, over one stretch of frequency.

    Attributes
    ----------
    low_hz, high_hz, levels_db, size_db : where, at which levels, and how large (negative: loss)
    time, frequency, level : whether each signature fits
    marks : sentences of what only this cause is known to do; they count beside the signatures
    evidence_for, evidence_against : sentences; one against, and the cause is no more than possible
    after_stress : whether it is about the long-term test
    whole : whether it is about curves as a whole, gains and losses alike
    doubts : sentences of what else would look the same in these data; one, and it is never sure
    """

    low_hz: float
    high_hz: float
    levels_db: tuple[float, ...]
    size_db: float
    time: Sign = "untold"
    frequency: Sign = "untold"
    level: Sign = "untold"
    marks: tuple[str, ...] = ()
    evidence_for: tuple[str, ...] = ()
    evidence_against: tuple[str, ...] = ()
    after_stress: bool = False
    whole: bool = False
    doubts: tuple[str, ...] = ()

    @property
    def fitting(self) -> int:
        """How many of the three signatures fit."""
        return (self.time, self.frequency, self.level).count("fits")

    @property
    def contradicted(self) -> bool:
        """Whether anything speaks against it."""
        return bool(self.evidence_against)


def case_of(stretch: Stretch, **seen: object) -> Case:
    """Return a case over one stretch, to be filled by what a rule sees in it."""
    empty = Case(
        low_hz=stretch.low_hz,
        high_hz=stretch.high_hz,
        levels_db=stretch.levels_db or (stretch.level_db,),
        size_db=stretch.worst_db,
        after_stress=stretch.test == "long_term",
    )
    return replace(empty, **seen)  # type: ignore[arg-type]


def case_of_group(group: WhilePlaying, **seen: object) -> Case:
    """Return a case over one group of tones of the stress."""
    empty = Case(
        low_hz=group.low_hz,
        high_hz=group.high_hz,
        levels_db=(group.level_db,),
        size_db=min(group.end_db, group.grown_db),
        after_stress=True,
    )
    return replace(empty, **seen)  # type: ignore[arg-type]


class Seen:
    """Collects what a rule sees: one signature, or one sentence, at a time."""

    def __init__(self) -> None:
        self._signs: dict[str, Sign] = {}
        self._marks: list[str] = []
        self._for: list[str] = []
        self._against: list[str] = []
        self._doubts: list[str] = []

    def fits(self, signature: str, sentence: str) -> None:
        """One of time, frequency, level fits."""
        self._signs.setdefault(signature, "fits")
        self._for.append(sentence)

    def contradicts(self, sentence: str, *, signature: str | None = None) -> None:
        """Something that the cause cannot do."""
        if signature is not None:
            self._signs[signature] = "against"
        self._against.append(sentence)

    def marks(self, sentence: str) -> None:
        """Something that this cause is known for."""
        self._marks.append(sentence)
        self._for.append(sentence)

    def also(self, sentence: str) -> None:
        """Something that agrees, and tells little."""
        self._for.append(sentence)

    def doubts(self, sentence: str) -> None:
        """Something else would look the same."""
        self._doubts.append(sentence)

    @property
    def all(self) -> dict[str, object]:
        """Return what was seen, as the fields of a `Case`."""
        return {
            **self._signs,
            "marks": tuple(self._marks),
            "evidence_for": tuple(self._for),
            "evidence_against": tuple(self._against),
            "doubts": tuple(self._doubts),
        }


def where(stretch: Stretch) -> str:
    """Say where a stretch lies."""
    return f"from {frequency(stretch.low_hz)} to {frequency(stretch.high_hz)}"


def levels(values_db: Sequence[float]) -> str:
    """Name one level, or the lowest of several."""
    return f"at {values_db[0]:g} dB" if len(values_db) == 1 else f"from {values_db[0]:g} dB on"
