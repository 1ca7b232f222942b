"""One cause held against one stretch; and rules for what is not the loudspeaker's.

Those are noise, drift, a moved microphone, wrong steps, overload.

Each takes the evidence and returns its cases, none where nothing of the kind shows.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from reportlib.judge.causes.evidence import Evidence, Stretch, WhilePlaying, octaves_of
from reportlib.judge.causes.growth import most_with_power
from reportlib.numbers import duration, frequency, share_text

Sign = Literal["fits", "against", "untold"]
_ORDER = ("time", "frequency", "level", "mark", "also")
"""In which sentences for a cause stand: who reads but two of them reads two signatures."""


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
        self._for: list[tuple[str, str]] = []
        self._against: list[str] = []
        self._doubts: list[str] = []

    def fits(self, signature: str, sentence: str) -> None:
        """One of time, frequency, level fits."""
        self._signs.setdefault(signature, "fits")
        self._for.append((signature, sentence))

    def contradicts(self, sentence: str, *, signature: str | None = None) -> None:
        """Something that the cause cannot do."""
        if signature is not None:
            self._signs[signature] = "against"
        self._against.append(sentence)

    def marks(self, sentence: str) -> None:
        """Something that this cause is known for."""
        self._marks.append(sentence)
        self._for.append(("mark", sentence))

    def also(self, sentence: str) -> None:
        """Something that agrees, and tells little."""
        self._for.append(("also", sentence))

    def doubts(self, sentence: str) -> None:
        """Something else would look the same."""
        self._doubts.append(sentence)

    @property
    def all(self) -> dict[str, object]:
        """Return what was seen, as the fields of a `Case`."""
        ordered = sorted(self._for, key=lambda one: _ORDER.index(one[0]))
        return {
            **self._signs,
            "marks": tuple(self._marks),
            "evidence_for": tuple(sentence for _, sentence in ordered),
            "evidence_against": tuple(self._against),
            "doubts": tuple(self._doubts),
        }


def where(stretch: Stretch) -> str:
    """Say where a stretch lies."""
    low, high = frequency(stretch.low_hz), frequency(stretch.high_hz)
    return f"near {low}" if low == high else f"from {low} to {high}"


def levels(values_db: Sequence[float]) -> str:
    """Name one level, or the lowest of several."""
    return f"at {values_db[0]:g} dB" if len(values_db) == 1 else f"from {values_db[0]:g} dB on"


STEP_DB, STEP_SHARE = 0.6, 0.5
"""A step that is half of all that was lost is no warming."""
LATE, EARLY = 0.35, 0.15
"""Share of the growth after two minutes: a coil of a minute leaves 0.14 (exponential law), a
magnet of 10 min or more at least half of its own."""
MOSTLY_LATE = 0.6


HEAT_SLOPE = 0.5
"""dB of loss for each dB of drive: what heat never takes of one step."""


def abrupt(one: Stretch) -> bool:
    """Return whether a stretch sets in too abruptly for heat, whatever else builds up over it."""
    return one.growth == "knee" or one.last_slope > HEAT_SLOPE


NEAR_CROSSOVER, BEYOND = 0.42, 1.6


def crossovers_near(evidence: Evidence, one: Stretch) -> list[float]:
    """Return the crossovers that a stretch ends near, below or above."""
    return [
        hz
        for hz in evidence.crossovers_hz
        if any(abs(hz / edge - 1.0) < NEAR_CROSSOVER for edge in (one.low_hz, one.high_hz))
    ]


def leaves_a_unit(evidence: Evidence, one: Stretch) -> bool:
    """Return whether a stretch ends near a crossover, and what lies beyond can be told."""
    low_hz, high_hz = BEYOND * evidence.lowest_hz, evidence.highest_hz / BEYOND
    return any(low_hz < hz < high_hz for hz in crossovers_near(evidence, one))


def groups_at(evidence: Evidence, one: Stretch) -> list[WhilePlaying]:
    """Groups of tones inside a stretch, at its own level, the largest growth first."""
    inside = [
        group
        for group in evidence.playing
        if group.level_db == one.level_db
        and min(group.high_hz, one.high_hz) > 1.3 * max(group.low_hz, one.low_hz)
    ]
    return sorted(inside, key=lambda group: group.grown_db)


def stepped(group: WhilePlaying) -> bool:
    """Return whether a group fell in one step, more than bit by bit."""
    grown = abs(group.grown_db) + 1e-9
    return group.step_db < -STEP_DB and -group.step_db > STEP_SHARE * grown


def late_share_of(evidence: Evidence, one: Stretch) -> float | None:
    """Share of a stretch's growth that came after the first minutes, by stages or by the stress."""
    shares = [
        group.late_share for group in groups_at(evidence, one) if group.late_share is not None
    ]
    return shares[0] if shares else one.late_share


def about(seconds: float) -> str:
    """Write a time that is known to some ten per cent."""
    return f"about {duration(float(f'{seconds:.2g}'))}"


CLEAR_SNR_DB = 42.0
"""Σ over a smoothed cell: beyond it no noise that was not seen makes half a decibel."""
WHOLE_SHARE = 0.7
"""Share of what can be told that a change must span to be one of all frequencies."""
EVEN_DB, EVEN_SHARE = 0.12, 0.12
DRIFT_DB = 0.25
RIPPLE_DB = 0.25
RIPPLE_TURNS = 1.2
FEWEST_TURNS, MANY_TURNS = 5.0, 8.0
STEP_SURELY = 2.5
"""Half-widths that a step must be off by to be surely wrong."""
ALIKE = (0.75, 1.33)
"""Turns an octave: a single resonance turns twice, a reflection again and again."""
BENT = 0.22
"""A cubic gives a third, a hard clip about as much (Fourier series)."""
CLEAN = 0.10


def noise_in_baseline(evidence: Evidence) -> list[Case]:
    """Noise in the quiet baseline passes for signal, and every level seems to lose as much."""
    found = []
    for one in evidence.short:
        if one.growth != "offset" or (spans_all(evidence, one) and even(one)):
            continue
        seen = Seen()
        if one.snr_db > CLEAR_SNR_DB:
            seen.contradicts(
                "The baseline stood well above its noise there.", signature="frequency"
            )
        else:
            seen.fits("frequency", f"The baseline has little signal over noise {where(one)}.")
        seen.fits("level", "It is the same at every level, from the first step on.")
        if {"noise-burst", "low-signal"} & evidence.severe:
            seen.marks("The baseline was noisy: see the notes on the data.")
        if one.timing == "builds up":
            seen.contradicts("It grows as the loudspeaker plays on.", signature="time")
        found.append(case_of(one, **seen.all))
    return found


def drift(evidence: Evidence) -> list[Case]:
    """The baseline, measured again, is not what it was."""
    if evidence.drift_db < DRIFT_DB and "drift" not in evidence.severe:
        return []
    seen = Seen()
    seen.marks("The baseline itself, measured again, came out otherwise.")
    seen.fits("time", "It came with the hours of the day.")
    largest = max((abs(one.worst_db) for one in evidence.short), default=0.0)
    if largest <= 2.0 * evidence.drift_db:
        seen.fits("level", "No level shows markedly more than the baseline itself moved by.")
    else:
        seen.contradicts(
            "Some of what the louder levels lose is more than the baseline moved by.",
            signature="level",
        )
    return [
        Case(
            low_hz=evidence.lowest_hz,
            high_hz=evidence.highest_hz,
            levels_db=evidence.levels_db,
            size_db=-evidence.drift_db,
            whole=True,
            **seen.all,  # type: ignore[arg-type]
        )
    ]


def microphone_moved(evidence: Evidence) -> list[Case]:
    """Another place hears other reflections: up and down over frequency, at one level as such."""
    found = []
    for one in evidence.ripples:
        told = "microphone-moved" in evidence.severe
        if one.rms_db < (0.5 * RIPPLE_DB if told else RIPPLE_DB):
            continue
        turns = one.turns_per_octave * octaves_of(one.low_hz, one.high_hz)
        if one.turns_per_octave < RIPPLE_TURNS or turns < FEWEST_TURNS:
            continue
        same_test = [
            other for other in evidence.ripples if other.test == one.test and other is not one
        ]
        others = [other.rms_db for other in same_test if other.level_db > one.level_db]
        alike = [
            other
            for other in same_test
            if abs(other.level_db - one.level_db) >= 6.0
            and ALIKE[0] < other.rms_db / one.rms_db < ALIKE[1]
        ]
        seen = Seen()
        seen.fits("frequency", "The change goes up and down over frequency, as reflections do.")
        if others and min(others) < 0.5 * one.rms_db:
            seen.fits("level", "A louder level does not show it.")
        elif told or alike:
            seen.fits("level", "It does not grow with level as a loudspeaker’s own changes do.")
        if turns >= MANY_TURNS:
            seen.marks("No part of a loudspeaker rises and falls so often.")
        if told:
            seen.marks("The sound arrives at another time than at the baseline.")
        found.append(
            Case(
                low_hz=one.low_hz,
                high_hz=one.high_hz,
                levels_db=(one.level_db,),
                size_db=-one.rms_db,
                after_stress=one.test == "long_term",
                whole=True,
                **seen.all,  # type: ignore[arg-type]
            )
        )
    if not found and "microphone-moved" in evidence.severe:
        seen = Seen()
        seen.marks("The sound arrives at another time than at the baseline.")
        seen.fits("time", "It came from one recording to another.")
        found.append(
            Case(
                low_hz=evidence.lowest_hz,
                high_hz=evidence.highest_hz,
                levels_db=evidence.levels_db[-1:],
                size_db=-0.1,
                **seen.all,  # type: ignore[arg-type]
            )
        )
    return sorted(found, key=lambda one: one.size_db)[:1]


def wrong_step(evidence: Evidence) -> list[Case]:
    """A volume step that was not made as written: the same at all frequencies."""
    found = []
    for one in evidence.short:
        if not spans_all(evidence, one) or not even(one):
            continue
        seen = Seen()
        seen.fits("frequency", "It is the same at all frequencies that can be told.")
        if one.bending is not None and one.bending >= BENT and one.bending_grows:
            seen.contradicts("Harmonics rise with it; a wrong step bends no waveform.")
        if evidence.reference:
            seen.contradicts("The steps were measured in the reference channel.")
        if one.growth == "lone":
            seen.fits("level", "One level shows it, and a louder one does not.")
            seen.marks("No part of a loudspeaker loses at one level and not at the next.")
            if abs(one.mean_db) < STEP_SURELY * one.u95_db:
                seen.doubts("It is hardly more than steps may be off by that nobody measured.")
        elif one.growth in ("offset", "share"):
            seen.fits("level", "It is there from the first step on, whatever the level.")
        elif one.growth == "unclear" or len(one.levels_db) == 1:
            seen.fits("level", "One level alone shows it.")
        else:
            seen.contradicts("It grows from level to level.", signature="level")
        if one.timing == "builds up":
            seen.contradicts("It grows as the loudspeaker plays on.", signature="time")
        found.append(case_of(one, **seen.all))
    return found


WORTH_SAYING = 0.9
"""A share above it bounds next to nothing."""
LIMITER_SLOPE = 0.85
"""dB of loss for each dB more of drive: what a ratio of 7 : 1 takes. A cubic spring takes two
thirds at most, turbulent air half (their laws for large drive)."""


def gain_is_cut(evidence: Evidence, one: Stretch) -> bool:
    """Return whether a stretch grows by nearly as many decibels as the drive, as cut gain does."""
    falls = one.test == "short_term" and one.sign < 0
    return evidence.drive == "active" and falls and one.peak_slope >= LIMITER_SLOPE


def rest_of(one: Stretch) -> str:
    """Say how much of the loss at the top can be one that grows with power; ends a sentence."""
    share = most_with_power(one.points)
    if share >= WORTH_SAYING:
        return "."
    return (
        f". What grows with power carries {share_text(share)} at most of what is missing at "
        f"{one.points[-1].level_db:g} dB."
    )


def microphone_overload(evidence: Evidence) -> list[Case]:
    """The microphone or its preamplifier bends the waveform once the sound is loud enough."""
    found = []
    touched = evidence.overloaded
    if touched is not None:
        seen = Seen()
        seen.marks("The recorded waveform is flattened there.")
        seen.fits("frequency", "It takes most where the sound is loudest, whatever plays there.")
        seen.fits("level", "It is there once a level is passed.")
        return [
            Case(
                low_hz=touched.low_hz,
                high_hz=touched.high_hz,
                levels_db=touched.levels_db,
                size_db=min(touched.worst_db, 0.0),
                **seen.all,  # type: ignore[arg-type]
            )
        ]
    told = bool({"overload", "clipped", "flat-tops"} & evidence.severe)
    law = evidence.law
    mine = [
        one
        for one in evidence.short
        if one.sign < 0 and one.octaves >= 1.0 and one.growth not in ("offset", "lone")
    ]
    for one in sorted(mine, key=lambda one: -one.octaves)[:1]:
        bent = one.bending is not None and one.bending >= BENT
        if not told and not (bent and law is not None):
            continue
        seen = Seen()
        if told:
            seen.marks("The recorded waveform is flattened in step with the loss.")
        if bent:
            seen.also("Harmonics rise with the loss, as where a waveform is cut.")
        if law is not None:
            seen.fits(
                "frequency", "It takes most where the sound is loudest, whatever plays there."
            )
        elif one.octaves > 3.0:
            seen.fits("frequency", "It spans drive units and bands alike.")
        if one.growth in ("knee", "smooth") or law is not None:
            seen.fits("level", "It grows once a level is passed.")
        if one.timing == "builds up":
            seen.contradicts("It grows as the loudspeaker plays on.", signature="time")
        elif one.timing == "at once":
            seen.fits("time", "It is there at once.")
        if one.bending is not None and one.bending < CLEAN:
            seen.contradicts("The waveform stays clean.")
        if not told and law is not None and law.share >= LIMITER_SLOPE:
            seen.contradicts(
                "Cut as deep as that, the recorded waveform would be flat, and is not."
            )
        found.append(case_of(one, **seen.all))
    return found


def spans_all(evidence: Evidence, one: Stretch) -> bool:
    """Whether a stretch spans nearly all that can be told."""
    whole = octaves_of(evidence.lowest_hz, evidence.highest_hz)
    return one.octaves > WHOLE_SHARE * whole and whole > 2.0


def even(one: Stretch) -> bool:
    """Whether a stretch changed by the same everywhere, as far as can be told."""
    return one.unevenness_db <= EVEN_DB + EVEN_SHARE * abs(one.mean_db)


BESIDE = 1.3
"""Width of a resonance of Q 3 and more, to where a few tenths of a decibel are left."""


def flank_of(one: Stretch, other: Stretch) -> bool:
    """Return whether a stretch is but the side of a larger change."""
    gap = max(one.low_hz / other.high_hz, other.low_hz / one.high_hz)
    return one.sign == other.sign and abs(other.worst_db) > abs(one.worst_db) and gap < BESIDE
