"""What a plan expects to be recorded, in the order of the day."""

from dataclasses import dataclass
from typing import Literal

from reportlib.day import Session

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
    slots = []
    for index, entry in enumerate(session.short_term):
        for number, capture in enumerate(entry.captures):
            slots.append(
                Slot(
                    role="short",
                    entry=index,
                    number=number,
                    drive_db=entry.drive_db,
                    level_db=entry.level_db,
                    capture=capture,
                )
            )
    for index, level in enumerate(session.long_term):
        for number, capture in enumerate(level.before):
            slots.append(
                Slot(
                    role="before",
                    entry=index,
                    number=number,
                    drive_db=level.sweep_drive_db,
                    level_db=level.level_db,
                    capture=capture,
                )
            )
        for number, stage in enumerate(level.stages):
            slots.append(
                Slot(
                    role="stress",
                    entry=index,
                    number=number,
                    drive_db=level.drive_db,
                    level_db=level.level_db,
                    capture=stage.stress
                    or f"captures/long-{level.level_db:g}-stress-{number + 1}.wav",
                )
            )
    for index, entry in enumerate(session.baseline_again):
        for number, capture in enumerate(entry.captures):
            slots.append(
                Slot(
                    role="again",
                    entry=index,
                    number=number,
                    drive_db=entry.drive_db,
                    level_db=entry.level_db,
                    capture=capture,
                )
            )
    return tuple(slots)
