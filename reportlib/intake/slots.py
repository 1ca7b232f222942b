"""What a plan expects to be recorded, in the order of the day."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from reportlib.day import Entry, LongTermEntry, Session

Role = Literal["short", "before", "stress", "again"]


@dataclass(frozen=True, kw_only=True)
class Slot:
    """One sweep that is expected, or one stage of stress (with the sweep after it).

    Attributes
    ----------
    role, entry : which list of the session it belongs to, and which entry of that
    number : take or stage, from 0
    capture : the path that it will have
    """

    role: Role
    entry: int
    number: int
    drive_db: float
    level_db: float
    capture: str

    @property
    def kind(self) -> Literal["sweep", "stress"]:
        """What is to be heard there."""
        return "stress" if self.role == "stress" else "sweep"

    @property
    def group(self) -> tuple[Role, int]:
        """Takes of one kind share it."""
        return self.role, self.entry

    @property
    def name(self) -> str:
        """What the plan tells to call the recording, without its ending."""
        return self.capture.rpartition("/")[2].rpartition(".")[0]


def expected(session: Session) -> tuple[Slot, ...]:
    """Return all that a planned day expects, in its order; after-sweeps go with their stress."""
    slots = _takes("short", session.short_term)
    for index, level in enumerate(session.long_term):
        stresses = [
            stage.stress or f"captures/long-{level.level_db:g}-stress-{number}.wav"
            for number, stage in enumerate(level.stages, start=1)
        ]
        slots += _each("before", level.before, of=level, entry=index, drive_db=level.sweep_drive_db)
        slots += _each("stress", stresses, of=level, entry=index, drive_db=level.drive_db)
    return (*slots, *_takes("again", session.baseline_again))


def _takes(role: Role, entries: Sequence[Entry]) -> list[Slot]:
    return [
        slot
        for index, one in enumerate(entries)
        for slot in _each(role, one.captures, of=one, entry=index, drive_db=one.drive_db)
    ]


def _each(
    role: Role,
    captures: Sequence[str],
    *,
    of: Entry | LongTermEntry,
    entry: int,
    drive_db: float,
) -> list[Slot]:
    return [
        Slot(
            role=role,
            entry=entry,
            number=number,
            drive_db=drive_db,
            level_db=of.level_db,
            capture=capture,
        )
        for number, capture in enumerate(captures)
    ]
