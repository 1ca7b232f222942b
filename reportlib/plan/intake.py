"""Which sound is which capture, and what becomes of a heap of recordings.

Levels come first: one gain is common to the day, and it is the one under which most sounds fall
onto a planned level, in the planned order as far as possible. What has the name of a planned
recording and its level is that recording. The rest is laid along the plan in order of time, as
two texts are compared: what is missing and what is too many are stepped over. What is then left
over is placed by its level alone, and said to be out of order.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median

import numpy as np

from reportlib.errors import CaptureError
from reportlib.numbers import level_text, listed
from reportlib.plan.heard import Heard, Role, Slot, expected
from reportlib.session.day import LongTermEntry, Session, Stage

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


_AFTER_WITHIN_S = 20.0
"""A sweep that begins so soon after a stress belongs to it: later, a coil is cold again."""
_LENGTH_S = 0.5
PAUSE_U_S = 0.03
"""Of a pause read from one recording: where a sweep begins in a room's sound."""
_LEVEL_WORDS: dict[Role, str] = {
    "short": "short-term", "before": "before the multitone", "stress": "multitone",
    "again": "the baseline again",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Intake:
    """A heap of recordings as it was heard.

    Attributes
    ----------
    names : of the recordings, without ending, in order of time
    heard : sounds by recording and time
    in_order : whether that order is known
    """

    names: tuple[str, ...]
    heard: tuple[Heard, ...]
    sample_rate_hz: int
    in_order: bool


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What is filed, and what is said.

    Attributes
    ----------
    session : the facts of the day, with the captures that there are
    cuts : capture and sound, of each that is filed
    missing, doubtful : a sentence each
    """

    session: Session
    cuts: tuple[tuple[str, Heard], ...]
    missing: tuple[str, ...]
    doubtful: tuple[str, ...]


def outcome(session: Session, *, heap: Intake) -> Outcome:
    """Tell what is which, and what is missing or doubtful.

    Raises
    ------
    CaptureError
        There is no baseline, without which there is nothing to compare with.
    """
    after = _after_sweeps(heap)
    bound = set(after.values())
    free = [index for index in range(len(heap.heard)) if index not in bound]
    slots = expected(session)
    found = match([heap.heard[index] for index in free], slots=slots, names=heap.names)
    by_slot = {slots[place]: free[sound] for sound, place in found.filled.items()}
    more = [(slots[place], free[sound]) for sound, place in found.more_takes.items()]
    filing = _Filing(session=session, heap=heap, by_slot=by_slot, after=after, more=more)
    doubtful = [
        *_matched_doubts(found, heap=heap, free=free, slots=slots),
        *filing.name_doubts(),
    ]
    return filing.filed(slots=slots, doubtful=doubtful)


def _after_sweeps(heap: Intake) -> dict[int, int]:
    """The sweep that follows each stress in its recording, both by number."""
    limit = _AFTER_WITHIN_S * heap.sample_rate_hz
    found = {}
    for index, (one, following) in enumerate(zip(heap.heard, heap.heard[1:], strict=False)):
        near = following.recording == one.recording and following.start - one.end <= limit
        if one.kind == "stress" and following.kind == "sweep" and near:
            found[index] = index + 1
    return found


def _matched_doubts(
    found: Match, *, heap: Intake, free: Sequence[int], slots: Sequence[Slot]
) -> list[str]:
    said = []
    for sound in found.out_of_order:
        slot = slots[found.filled[sound]]
        said.append(
            f"{place_of(heap, free[sound])} is out of the planned order; by its level alone it is "
            f"taken for {slot.name}."
        )
    clear = [heap.heard[free[sound]].likeness for sound in found.filled]
    for sound in found.unknown:
        one = heap.heard[free[sound]]
        if one.kind == "sweep" and clear and one.likeness < 0.5 * median(clear):
            continue  # hum, or talk: no sweep at all
        if one.kind == "sweep":
            over_db = one.level_db - found.offset_db
            said.append(
                f"{place_of(heap, free[sound])} stands {over_db:.1f} dB over the baseline, where "
                "nothing was planned; it is left out."
            )
        else:
            said.append(
                f"{place_of(heap, free[sound])} is a multitone that was not planned; it is left "
                "out."
            )
    for sound, place in found.more_takes.items():
        said.append(
            f"{place_of(heap, free[sound])} is one more take of "
            f"{level_text(slots[place].level_db)}, {_LEVEL_WORDS[slots[place].role]}; it is kept."
        )
    twice = {slot.drive_db for slot in slots if slot.role == "short"} & {
        slot.drive_db for slot in slots if slot.role in ("again", "before")
    }
    by_order = [
        sound
        for sound, place in found.filled.items()
        if slots[place].kind == "sweep"
        and slots[place].drive_db in twice
        and heap.names[heap.heard[free[sound]].recording] != slots[place].name
    ]
    if by_order and not heap.in_order:
        said.append(
            "Neither names nor times of the files tell which takes of one level came first; the "
            "order of their names is taken for that."
        )
    return said


def place_of(heap: Intake, index: int) -> str:
    """Return where a sound is: ``"day-1 at 12:07"``, minutes and seconds."""
    one = heap.heard[index]
    minutes, seconds = divmod(one.start // heap.sample_rate_hz, 60)
    return f"{heap.names[one.recording]} at {minutes}:{seconds:02d}"


@dataclass(frozen=True, kw_only=True)
class _Filing:
    """Sounds by slot, on their way to captures and facts."""

    session: Session
    heap: Intake
    by_slot: dict[Slot, int]
    after: dict[int, int]
    more: list[tuple[Slot, int]]

    def name_doubts(self) -> list[str]:
        """Recordings whose planned name their level contradicts."""
        planned = {slot.name: slot for slot in expected(self.session)}
        said = []
        for slot, index in self.by_slot.items():
            name = self.heap.names[self.heap.heard[index].recording]
            if name in planned and planned[name].group != slot.group and slot.kind == "sweep":
                said.append(
                    f"{name} is named as another take than its level shows; it is taken for "
                    f"{slot.name}."
                )
        return said

    def filed(self, *, slots: Sequence[Slot], doubtful: list[str]) -> Outcome:
        """Return the outcome."""
        cuts: list[tuple[str, Heard]] = []
        missing = [
            f"{slot.name} ({level_text(slot.level_db)}, {_LEVEL_WORDS[slot.role]}) was not found."
            for slot in slots
            if slot not in self.by_slot
        ]
        short = [
            replace(entry, captures=self._takes("short", index, cuts=cuts))
            for index, entry in enumerate(self.session.short_term)
        ]
        if not short[0].captures:
            raise CaptureError(
                f"no take of the baseline, {level_text(short[0].level_db)}, was found among "
                f"{listed(self.heap.names[:6]) or 'the recordings'}: without it there is nothing "
                "to compare with. Record it, and take in again."
            )
        again = [
            replace(entry, captures=self._takes("again", index, cuts=cuts))
            for index, entry in enumerate(self.session.baseline_again)
        ]
        long_term = [
            self._long_term(entry, index, cuts=cuts, missing=missing, doubtful=doubtful)
            for index, entry in enumerate(self.session.long_term)
        ]
        session = replace(
            self.session,
            short_term=tuple(entry for entry in short if entry.captures),
            baseline_again=tuple(entry for entry in again if entry.captures),
            long_term=tuple(level for level in long_term if level is not None),
        )
        return Outcome(
            session=session,
            cuts=tuple(cuts),
            missing=tuple(missing),
            doubtful=tuple(doubtful),
        )

    def _takes(self, role: Role, entry: int, *, cuts: list[tuple[str, Heard]]) -> tuple[str, ...]:
        """File the takes of one level under their planned names, and more under further ones."""
        own = [(slot, index) for slot, index in self.by_slot.items() if slot.group == (role, entry)]
        indices = sorted(index for _, index in own)
        paths = sorted(slot.capture for slot, _ in own)
        further = sorted(index for slot, index in self.more if slot.group == (role, entry))
        if paths and further:
            stem, _, letter = min(paths).rpartition("-")
            ending = letter.rpartition(".")[2]
            paths += [f"{stem}-more-{number}.{ending}" for number, _ in enumerate(further, start=1)]
        for path, index in zip(paths, [*indices, *further], strict=True):
            cuts.append((path, self.heap.heard[index]))
        return tuple(paths)

    def _long_term(
        self,
        level: LongTermEntry,
        number: int,
        *,
        cuts: list[tuple[str, Heard]],
        missing: list[str],
        doubtful: list[str],
    ) -> LongTermEntry | None:
        stresses = sorted(
            index for slot, index in self.by_slot.items() if slot.group == ("stress", number)
        )
        begun: list[tuple[str, Heard]] = []
        before = self._takes("before", number, cuts=begun)
        stages: list[Stage] = []
        for index, planned, following in zip(
            stresses, level.stages, [*stresses[1:], None], strict=False
        ):
            stage = self._stage(planned, index, following=following, cuts=begun)
            played_s = self.heap.heard[index].samples / self.heap.sample_rate_hz
            if abs(played_s - planned.stress_s) > _LENGTH_S:
                doubtful.append(
                    f"{place_of(self.heap, index)} is a multitone of {played_s:g} s, where "
                    f"{planned.stress_s:g} s were planned; what was played counts."
                )
            if stage is None:
                missing.append(
                    f"the sweep after {place_of(self.heap, index)} ({level_text(level.level_db)}, "
                    "multitone) was not found; this stage and what follows it are left out."
                )
                break
            stages.append(stage)
        if not before or not stages:
            if before or stresses:
                missing.append(
                    f"the long-term test at {level_text(level.level_db)} is left out: it needs a "
                    "sweep before, a multitone and a sweep after."
                )
            return None
        stages[-1] = replace(stages[-1], rest_s=None)
        cuts += begun
        return replace(level, before=before, stages=tuple(stages))

    def _stage(
        self,
        planned: Stage,
        index: int,
        *,
        following: int | None,
        cuts: list[tuple[str, Heard]],
    ) -> Stage | None:
        """One stage as it was: how long, how soon the sweep, how long until the next."""
        if index not in self.after:
            return None
        rate = self.heap.sample_rate_hz
        stress, sweep = self.heap.heard[index], self.heap.heard[self.after[index]]
        rest_s = planned.rest_s
        if following is not None:
            after = self.heap.heard[following]
            if after.recording == stress.recording:
                rest_s = round((after.start - stress.end) / rate, 2)
        path = planned.stress or ""
        if path:
            cuts.append((path, stress))
        cuts.append((planned.after[0], sweep))
        return replace(
            planned,
            stress_s=round(stress.samples / rate, 3),
            pause_s=(round(max((sweep.start - stress.end) / rate, 0.0), 3),),
            pause_u_s=PAUSE_U_S,
            after=planned.after[:1],
            rest_s=rest_s,
        )
