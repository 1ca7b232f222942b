"""What becomes of a heap of recordings: what is filed, and what is missing or doubtful.

The order of time is that of the files' clocks or that of their names, whichever lies along the
plan at the lower cost. Where every sound lies along it by the clocks alone, names count for
nothing: no such order comes about by chance, and names are swapped by a slip of the hand.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from reportlib.errors import CaptureError
from reportlib.numbers import level_text, listed
from reportlib.plan.heard import Heard, Role, Slot, expected
from reportlib.plan.matching import Match, match
from reportlib.session.day import LongTermEntry, Session, Stage

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
    names : of the recordings, without ending
    heard : sounds in order of time
    in_order : whether that order is by the files' clocks, and they tell it
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


def outcome(session: Session, *, heaps: Sequence[Intake]) -> Outcome:
    """Tell what is which, and what is missing or doubtful.

    Parameters
    ----------
    heaps : the same one in each order that it may have been recorded in; of orders that fit as
        well as each other the first counts

    Raises
    ------
    CaptureError
        There is no baseline, without which there is nothing to compare with.
    """
    slots = expected(session)
    readings = [reading for heap in heaps for reading in _readings(heap, slots=slots)]
    one = min(readings, key=lambda reading: round(reading.found.cost, 6))
    heap, after, free, found = one.heap, one.after, one.free, one.found
    by_slot = {slots[place]: free[sound] for sound, place in found.filled.items()}
    more = [(slots[place], free[sound]) for sound, place in found.more_takes.items()]
    filing = _Filing(session=session, heap=heap, by_slot=by_slot, after=after, more=more)
    doubtful = [
        *_matched_doubts(found, heap=heap, free=free, slots=slots),
        *filing.name_doubts(),
    ]
    return filing.filed(slots=slots, doubtful=doubtful)


@dataclass(frozen=True, kw_only=True)
class _Reading:
    """A heap in one order, and what is which then; `found` counts the sounds of `free`."""

    heap: Intake
    after: Mapping[int, int]
    free: Sequence[int]
    found: Match


def _readings(heap: Intake, *, slots: Sequence[Slot]) -> Iterator[_Reading]:
    after = _after_sweeps(heap)
    bound = set(after.values())
    free = [index for index in range(len(heap.heard)) if index not in bound]
    heard = [heap.heard[index] for index in free]
    if heap.in_order:
        by_clock = match(heard, slots=slots, names=[""] * len(heap.names))
        if by_clock.is_whole(slots):
            yield _Reading(heap=heap, after=after, free=free, found=by_clock)
    found = match(heard, slots=slots, names=heap.names)
    yield _Reading(heap=heap, after=after, free=free, found=found)


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
    if by_order and not heap.in_order and not found.is_whole(slots):
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
    after: Mapping[int, int]
    more: list[tuple[Slot, int]]

    def name_doubts(self) -> list[str]:
        """Recordings whose planned name their level or the clocks contradict."""
        planned = {slot.name: slot for slot in expected(self.session)}
        said = []
        for slot, index in self.by_slot.items():
            name = self.heap.names[self.heap.heard[index].recording]
            if name in planned and planned[name].group != slot.group and slot.kind == "sweep":
                said.append(
                    f"{name} is named as another take than its level or its time shows; it is "
                    f"taken for {slot.name}."
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
