"""Everything that the quality gate can say, in one table; and how it is told.

``warning`` means that a number may mislead, ``note`` that it must be read with something in
mind, ``refused`` that a capture was left out. Codes are stable names.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from reportlib.session.records import QualityNote, Severity


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of note.

    Attributes
    ----------
    code : stable name
    severities : what it can be, the mildest first
    meaning : what is wrong, or what a reader should know
    to_do : what to do about it; empty where there is nothing to do
    """

    code: str
    severities: tuple[Severity, ...]
    meaning: str
    to_do: str = ""


def _kind(code: str, severities: str, meaning: str, to_do: str = "") -> Kind:  # noqa: PLR0917
    names: dict[str, Severity] = {"n": "note", "w": "warning", "r": "refused"}
    return Kind(
        code=code,
        severities=tuple(names[letter] for letter in severities),
        meaning=meaning,
        to_do=to_do,
    )


KINDS: tuple[Kind, ...] = (
    # one recording
    _kind(
        "not-readable",
        "r",
        "The recording cannot be read: damaged, cut short, of a wrong kind.",
        "Copy, export or record it again.",
    ),
    _kind(
        "silent",
        "r",
        "A channel holds no signal.",
        "Check the cable and [channels] of session.toml, and record it again.",
    ),
    _kind(
        "no-sweep",
        "r",
        "The sweep of [sweep] is not in the recording: another stimulus, or no answer to it.",
        "Check the file and [sweep], and record it again.",
    ),
    _kind(
        "no-impulse",
        "r",
        "The file is no impulse response, ends at its peak, or lacks the noise of [impulse].",
        "Name recordings of sweeps under captures; export impulse responses with what follows.",
    ),
    _kind(
        "starts-late",
        "r",
        "The recording starts after its sweep does.",
        "Start the recorder at least half a second before the sweep, and record it again.",
    ),
    _kind(
        "ends-early",
        "r",
        "The recording ends before its sweep does.",
        "Record on for at least half a second after the sweep.",
    ),
    _kind(
        "no-multitone",
        "r",
        "The multitone of [multitone] is not in the stress recording, or the file holds none.",
        "Check the files: one whole period of the multitone, and a recording of it played.",
    ),
    _kind(
        "stress-cut",
        "wr",
        "The stress recording starts late, ends early, or the multitone pauses in it.",
        "Record from half a second before the multitone until half a second after it.",
    ),
    _kind(
        "stress-length",
        "w",
        "The multitone played longer or shorter than stress_s says.",
        "Correct stress_s.",
    ),
    _kind(
        "clipped",
        "wr",
        "Samples stand at full scale: the recorder clipped.",
        "Lower the input gain and record this level again.",
    ),
    _kind(
        "flat-tops",
        "wr",
        "The waveform is cut flat below full scale: a stage before the recorder clipped.",
        "Lower the level ahead of that stage and record this level again.",
    ),
    _kind(
        "dropout",
        "wr",
        "The recording stands still in the middle of the sweep: samples were lost.",
        "Use a larger buffer, close other programs, and record this level again.",
    ),
    _kind(
        "dc-offset",
        "nw",
        "The recording does not rest at zero.",
        "Have the input looked at; the offset is taken off and costs headroom only.",
    ),
    _kind(
        "noise-with-signal",
        "n",
        "There was more noise during the sweep than before it.",
        "Listen for port, rattle and disturbance.",
    ),
    _kind(
        "low-signal",
        "nw",
        "The baseline stands too little above the noise in a band.",
        "Measure where or when it is quieter, play a longer sweep, or start at a higher level.",
    ),
    _kind(
        "hum",
        "nw",
        "Mains hum and its harmonics stand out of the noise.",
        "Look for an earth loop; keep cables away from transformers.",
    ),
    # takes of one level
    _kind(
        "noise-burst",
        "nw",
        "Something else was heard during one take.",
        "Take this level again.",
    ),
    _kind(
        "takes-differ",
        "wr",
        "Takes of one level differ as a whole.",
        "Check gain and microphone, and take this level again.",
    ),
    _kind(
        "takes-differ-locally",
        "w",
        "Takes of one level differ in one stretch of frequency.",
        "Look for a rattle or a disturbance, and take this level again.",
    ),
    # from level to level
    _kind(
        "captures-swapped",
        "r",
        "Two captures carry each other's level.",
        "Exchange them in session.toml.",
    ),
    _kind(
        "capture-mislabelled",
        "r",
        "A capture was not made at the level that it is listed under.",
        "List it where it belongs, or record this level again.",
    ),
    _kind(
        "volume-behind-reference",
        "nr",
        "The volume was turned behind the reference, or did not move it.",
        "Set volume_at in [rig] to where the volume was turned.",
    ),
    _kind(
        "volume-before-reference",
        "r",
        "The reference rose with the volume, though volume_at says that it does not.",
        'Set volume_at = "before reference" in [rig].',
    ),
    _kind(
        "level-not-kept",
        "r",
        "Impulse responses do not become louder with the drive.",
        "Export them as measured, all divided by one and the same stimulus, not normalised.",
    ),
    _kind(
        "volume-step-off",
        "w",
        "A volume step was not made as asked.",
        "Turn the volume to the step asked for, or write down the one that was made.",
    ),
    _kind(
        "overload",
        "w",
        "It looks like an overloaded microphone or preamplifier.",
        "Double the distance or use a microphone for higher levels; the curve must not change.",
    ),
    _kind(
        "automatic-gain",
        "w",
        "It looks like automatic gain control in the chain.",
        "Switch automatic level, limiter and noise reduction off in recorder and player.",
    ),
    _kind(
        "gain-touched",
        "wr",
        "All bands together stand off from the levels beside: an input gain, or another file.",
        "Leave every gain alone from the baseline on, note input_gain_db where one was changed.",
    ),
    _kind(
        "level-left-out",
        "r",
        "No take of a level is left.",
        "Record this level again.",
    ),
    # the day
    _kind(
        "microphone-moved",
        "w",
        "The sound arrives at another time than at the baseline.",
        "Fix microphone and loudspeaker, and measure again from the baseline on.",
    ),
    _kind(
        "temperature",
        "nw",
        "The air's temperature changed over the day.",
        "Let the place settle; measure the levels close together.",
    ),
    _kind(
        "drift",
        "nw",
        "The baseline itself moved over the day.",
        "Rest longer between levels; fix everything that can move.",
    ),
    _kind(
        "heat-left",
        "nw",
        "It looks as if the loudspeaker was still warm when the baseline was repeated.",
        "Wait longer (tens of minutes) before the next test.",
    ),
    _kind(
        "drift-unknown",
        "n",
        "The baseline was not repeated.",
        "Measure the baseline once more at the end.",
    ),
    _kind(
        "repeatability-assumed",
        "n",
        "Nothing was repeated, so a repeatability is assumed.",
        "Take two takes a level.",
    ),
    # how it was measured
    _kind("gate-shortened", "w", "The gate is shorter than asked for.", "Record on for longer."),
    _kind(
        "gate-smears",
        "n",
        "The gate is short: narrow resonances are smeared.",
        "Allow a longer gate.",
    ),
    _kind(
        "gate-too-short",
        "nw",
        "The gate is too short for the bass that the sweep plays.",
        "Measure where the first reflection comes later, or leave gate_ms out.",
    ),
    _kind(
        "steps-not-measured",
        "n",
        "No reference was recorded.",
        "Record the drive beside the sound.",
    ),
    _kind("amplifier-inside", "n", "The reference was taken at the loop-back."),
    _kind("level-at-microphone", "n", "Levels are those at the microphone, not at 1 m."),
    _kind(
        "microphone-correction-held",
        "n",
        "The microphone's correction ends within the sweep; its ends are held.",
    ),
    _kind(
        "uncertainty-lower-bound",
        "n",
        "Noise is not known: column text, or impulse responses without [impulse].",
    ),
    _kind("gate-unknown", "n", "Nobody says how column text was gated."),
    _kind("smoothing-unknown", "n", "Nobody says how column text was smoothed."),
    _kind("smoothing-coarse", "n", "Column text was smoothed wider than the report does."),
    _kind("text-gaps", "n", "Column text leaves gaps."),
    _kind("levels-as-asked", "n", "Nothing was calibrated.", "Record a calibrator."),
    _kind("level-off", "w", "The baseline's level is not the one asked for.", "Correct level_db."),
    _kind(
        "clock-unknown",
        "n",
        "The clocks of player and recorder were not compared.",
        "Record the drive beside the sound.",
    ),
    _kind(
        "clock-drift",
        "n",
        "The recorder's clock ran otherwise than the player's.",
        "Record the drive beside the sound.",
    ),
    _kind(
        "clock-differs",
        "n",
        "The clocks ran otherwise during one capture.",
        "Use one device to play and to record.",
    ),
    # session.toml
    _kind(
        "distance-unlikely",
        "w",
        "The microphone is said to stand farther off than loudspeakers are measured from.",
        "Give distance_m in metres.",
    ),
    _kind(
        "baseline-alone",
        "w",
        "No level above the baseline was swept.",
        "Record the sweep at higher levels, an entry each.",
    ),
    _kind("same-recording", "w", "Two files hold the very same bytes.", "Copy the right file."),
)
"""Every kind of note, in the order of a reading: recording, takes, levels, day, set-up."""

BY_CODE = {kind.code: kind for kind in KINDS}


def found(code: str, severity: Severity, *, message: str, capture: str = "") -> QualityNote:
    """Return a note of a kind that the table knows."""
    if severity not in BY_CODE[code].severities:
        raise ValueError(f"{code} is never a {severity}")
    return QualityNote(code=code, severity=severity, capture=capture, message=message)


WORSE_THAN_NOTES = 3
"""Exit code of a check that found warnings or refused captures; 0 where there are notes only."""

_ORDER: tuple[Severity, ...] = ("refused", "warning", "note")
_NAMES = {
    "refused": ("refused", "refused"),
    "warning": ("warning", "warnings"),
    "note": ("note", "notes"),
}


def ordered(notes: Sequence[QualityNote]) -> tuple[QualityNote, ...]:
    """Return each note once, the worst first, in the table's order within a severity."""
    codes = {kind.code: place for place, kind in enumerate(KINDS)}
    unique = list(dict.fromkeys(notes))
    return tuple(
        sorted(
            unique,
            key=lambda note: (_ORDER.index(note.severity), codes.get(note.code, len(codes))),
        )
    )


def exit_code(notes: Sequence[QualityNote]) -> int:
    """Return 0 where nothing is worse than a note, else 3."""
    worse = any(note.severity != "note" for note in notes)
    return WORSE_THAN_NOTES if worse else 0


def counts_text(notes: Sequence[QualityNote]) -> str:
    """Return how many of each there are: ``"1 refused, 2 warnings, 5 notes"``."""
    number = Counter(note.severity for note in notes)
    parts = [
        f"{number[severity]} {_NAMES[severity][number[severity] != 1]}"
        for severity in _ORDER
        if number[severity]
    ]
    return ", ".join(parts) or "nothing to note"


def check_lines(notes: Sequence[QualityNote]) -> tuple[str, ...]:
    """Return the outcome of a check: how many notes, then one line a note, the worst first."""
    counts = counts_text(ordered(notes))
    lines = [f"{counts[:1].upper()}{counts[1:]}."]
    for note in ordered(notes):
        about = f" {note.capture}" if note.capture else ""
        lines.append(f"{note.severity}: {note.code}{about}: {note.message}")
    return tuple(lines)


def check_document(notes: Sequence[QualityNote]) -> dict[str, object]:
    """Return the outcome of a check as JSON types, with what to do by code."""
    number = Counter(note.severity for note in ordered(notes))
    return {
        "counts": {severity: number[severity] for severity in _ORDER},
        "quality": [asdict(note) for note in ordered(notes)],
        "to_do": {
            code: BY_CODE[code].to_do
            for code in dict.fromkeys(note.code for note in ordered(notes))
            if code in BY_CODE and BY_CODE[code].to_do
        },
    }


def kinds_markdown() -> str:
    """Return the table of everything that the gate can say, for the docs."""
    lines = ["| code | severity | what it means | what to do |", "| --- | --- | --- | --- |"]
    lines += [
        f"| `{kind.code}` | {', '.join(kind.severities)} | {kind.meaning} | {kind.to_do} |"
        for kind in KINDS
    ]
    return "\n".join(lines) + "\n"
