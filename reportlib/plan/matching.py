"""Which sound is which capture of a plan, by level, order and name.

Levels come first: one gain is common to the day, and it is the one under which most sounds fall
onto a planned level, in the planned order as far as possible. What has the name of a planned
recording and its level is that recording. The rest is laid along the plan in order of time, as
two texts are compared: what is missing and what is too many are stepped over. What is then left
over is placed by its level alone, and said to be out of order.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from reportlib.plan.heard import Heard, Slot

FITS_DB = 1.5
"""A sweep is at a level within so much: a quarter of a step."""
STRESS_FITS_DB = 5.0
"""A multitone, whose spectrum is another, so that a loudspeaker's sound of it is louder or
softer than a sweep's at the same drive."""
_MISSING = 1.0
_TOO_MANY = 1.0
_BY_LEVEL_ALONE = 0.3
_PER_DB = 0.1
_SAME_DB = 0.4  # sounds nearer in level are one candidate of the day's gain


@dataclass(frozen=True, kw_only=True)
class Match:
    """Which sound fills which slot.

    Attributes
    ----------
    filled : slot by sound, both by number
    more_takes : sounds of a full level, by number, with a slot of that level
    unknown : sounds that fit no level
    out_of_order : sounds placed by their level alone
    offset_db : level of the baseline in the channel that was listened to
    cost : how much was stepped over
    """

    filled: Mapping[int, int] = field(default_factory=dict)
    more_takes: Mapping[int, int] = field(default_factory=dict)
    unknown: tuple[int, ...] = ()
    out_of_order: tuple[int, ...] = ()
    offset_db: float = 0.0
    cost: float = np.inf

    def is_whole(self, slots: Sequence[Slot]) -> bool:
        """Whether all that was planned was found, in its order and no more often."""
        return len(self.filled) == len(slots) and not self.more_takes and not self.out_of_order


def match(heard: Sequence[Heard], *, slots: Sequence[Slot], names: Sequence[str]) -> Match:
    """Return which sound is which capture.

    Parameters
    ----------
    heard : sounds in order of time; sweeps that follow a stress are not among them
    slots : what the plan expects, in its order
    names : of the recordings, by number, without ending
    """
    best = Match()
    for offset_db in _offsets_db(heard, slots=slots):
        one = _matched(heard, slots=slots, names=names, offset_db=offset_db)
        if one.cost < best.cost - 1e-9:
            best = one
    return best


def _offsets_db(heard: Sequence[Heard], *, slots: Sequence[Slot]) -> list[float]:
    """Candidates of the baseline's level, the ones most sounds agree on first."""
    levels: list[float] = []
    for level_db in sorted(one.level_db for one in heard if one.kind == "sweep"):
        if not levels or level_db - levels[-1] > _SAME_DB:
            levels.append(level_db)
    drives = sorted({slot.drive_db for slot in slots if slot.kind == "sweep"})
    found = {round(level_db - drive_db, 2) for level_db in levels for drive_db in drives}
    return sorted(found)


def _misfit_db(one: Heard, slot: Slot, *, offset_db: float) -> float:
    """How far a sound is from a slot's level; infinite where it can't be it."""
    if one.kind != slot.kind:
        return np.inf
    apart_db = abs(one.level_db - offset_db - slot.drive_db)
    return apart_db if apart_db <= (FITS_DB if one.kind == "sweep" else STRESS_FITS_DB) else np.inf


def _matched(
    heard: Sequence[Heard], *, slots: Sequence[Slot], names: Sequence[str], offset_db: float
) -> Match:
    misfit = np.array(
        [[_misfit_db(one, slot, offset_db=offset_db) for slot in slots] for one in heard]
    ).reshape(len(heard), len(slots))
    filled = _by_name(heard, slots=slots, names=names, misfit=misfit)
    sounds = [index for index in range(len(heard)) if index not in filled]
    places = [index for index in range(len(slots)) if index not in filled.values()]
    filled |= _in_order(sounds, places, misfit=misfit)
    out_of_order = []
    for sound in [index for index in sounds if index not in filled]:
        free = [index for index in places if index not in filled.values()]
        place = min(free, key=lambda index: misfit[sound, index], default=None)
        if place is not None and np.isfinite(misfit[sound, place]):
            filled[sound] = place
            out_of_order.append(sound)
    more, unknown = {}, []
    for sound in [index for index in sounds if index not in filled]:
        near = _nearest_of_level(sound, heard=heard, filled=filled, misfit=misfit)
        if near is None:
            unknown.append(sound)
        else:
            more[sound] = near
    cost = (
        _MISSING * (len(slots) - len(filled))
        + _TOO_MANY * (len(more) + 2 * len(unknown))
        + _BY_LEVEL_ALONE * len(out_of_order)
        + _PER_DB * float(sum(misfit[sound, place] for sound, place in filled.items()))
    )
    return Match(
        filled=filled,
        more_takes=more,
        unknown=tuple(unknown),
        out_of_order=tuple(out_of_order),
        offset_db=offset_db,
        cost=cost,
    )


def _by_name(
    heard: Sequence[Heard], *, slots: Sequence[Slot], names: Sequence[str], misfit: np.ndarray
) -> dict[int, int]:
    """Sounds that stand alone in a recording of a planned name, at that level."""
    alone = [one.recording for one in heard]
    filled = {}
    for place, slot in enumerate(slots):
        for sound, one in enumerate(heard):
            named = names[one.recording] == slot.name and alone.count(one.recording) == 1
            if named and np.isfinite(misfit[sound, place]) and sound not in filled:
                filled[sound] = place
                break
    return filled


def _in_order(
    sounds: Sequence[int], places: Sequence[int], *, misfit: np.ndarray
) -> dict[int, int]:
    """Lay sounds along places, both in order, stepping over as few as possible."""
    rows, columns = len(sounds), len(places)
    cost = np.zeros((rows + 1, columns + 1))
    cost[1:, 0] = _TOO_MANY * np.arange(1, rows + 1)
    cost[0, 1:] = _MISSING * np.arange(1, columns + 1)
    for row in range(1, rows + 1):
        for column in range(1, columns + 1):
            fit = _PER_DB * misfit[sounds[row - 1], places[column - 1]]
            cost[row, column] = min(
                cost[row - 1, column - 1] + fit,
                cost[row - 1, column] + _TOO_MANY,
                cost[row, column - 1] + _MISSING,
            )
    filled = {}
    row, column = rows, columns
    while row and column:
        fit = _PER_DB * misfit[sounds[row - 1], places[column - 1]]
        here = cost[row, column]
        if here == cost[row, column - 1] + _MISSING:  # a take too few is the last one
            column -= 1
        elif here == cost[row - 1, column] + _TOO_MANY:  # one too many, too
            row -= 1
        else:
            assert here == cost[row - 1, column - 1] + fit
            filled[sounds[row - 1]] = places[column - 1]
            row, column = row - 1, column - 1
    return filled


def _nearest_of_level(
    sound: int, *, heard: Sequence[Heard], filled: Mapping[int, int], misfit: np.ndarray
) -> int | None:
    """The slot, full already, of the sound nearest in time that is at the same level."""
    near = [
        (abs(other - sound), place)
        for other, place in filled.items()
        if np.isfinite(misfit[sound, place]) and heard[other].kind == "sweep"
    ]
    return min(near)[1] if near and heard[sound].kind == "sweep" else None
