"""Notes on one stress recording: whether the multitone is in it, and whether all of it is."""

import math

import numpy as np

from reportlib.model import QualityNote
from reportlib.numbers import number
from reportlib.quality.kinds import found
from reportlib.soak.periods import StressTones

LEAST_PERIODS = 3
"""The first rings in, and one alone shows no change."""
_OFF_PERIODS = 1.5
_OFF_SHARE = 0.02
"""A stretch that was timed by hand is not better known (common practice, no source)."""


def stress_notes(tones: StressTones | None, *, source: str, stress_s: float) -> list[QualityNote]:
    """Check a stress recording against how long the multitone is said to have played.

    A refusal is among the notes where the recording cannot be used.

    Parameters
    ----------
    tones : None where the multitone is not in it
    """
    if tones is None:
        return [
            _refusal(
                "no-multitone",
                source,
                "the multitone of [multitone] is not in it. Check the file.",
            )
        ]
    said = f"{_seconds(tones.heard_s)} of the {_seconds(stress_s)} that stress_s says"
    if tones.centre_s.size < LEAST_PERIODS:
        return [
            _refusal(
                "stress-cut",
                source,
                f"it holds {said}, fewer than {LEAST_PERIODS} periods of the multitone.",
            )
        ]
    if math.isnan(tones.missed_s):
        return [
            _refusal(
                "stress-cut",
                source,
                "it holds neither start nor end of the multitone, so that nobody knows how long it "
                "had played. Record from half a second before it until half a second after it.",
            )
        ]
    notes = []
    short_s = stress_s - tones.missed_s - tones.heard_s
    off_s = max(_OFF_PERIODS * tones.period_s, _OFF_SHARE * stress_s)
    if tones.missed_s > 0.0:
        notes.append(
            _warning(
                "stress-cut",
                source,
                f"The recording starts when the multitone has played already; its end says that "
                f"{_seconds(tones.missed_s)} are missing. What the loudspeaker lost in them can "
                "only be told by the fit.",
            )
        )
    elif abs(short_s) > off_s and (tones.ended or short_s < 0.0):
        longer = "longer" if short_s < 0.0 else "shorter"
        notes.append(
            _warning(
                "stress-length",
                source,
                f"The multitone plays {longer} than stress_s says: "
                f"{'more than' if short_s < 0.0 else 'for'} "
                f"{_seconds(min(tones.heard_s, stress_s) if short_s < 0.0 else tones.heard_s)}, "
                f"not {_seconds(stress_s)}. Correct stress_s.",
            )
        )
    elif short_s > off_s:
        notes.append(
            _warning(
                "stress-cut",
                source,
                f"The recording ends early: it holds {said}. The loss at the end of the stress is "
                "not in it.",
            )
        )
    if tones.gap.any():
        at_s = float(tones.centre_s[np.argmax(tones.gap)])
        notes.append(
            _warning(
                "stress-cut",
                source,
                f"The multitone pauses {_seconds(at_s)} after its start, for about "
                f"{_seconds(float(tones.gap.sum()) * tones.period_s)}; those periods are left out.",
            )
        )
    clipped = int(tones.clipped.sum())
    if clipped:
        notes.append(
            _warning(
                "clipped",
                source,
                f"The recording clipped in {clipped} of {tones.clipped.size} periods of the "
                "multitone; they are left out. Lower the input gain and record this stress again.",
            )
        )
    return notes


def _seconds(value_s: float) -> str:
    return f"{number(value_s, 0 if value_s >= 10.0 else 1)} s"


def _refusal(code: str, source: str, text: str) -> QualityNote:  # noqa: PLR0917
    return found(code, "refused", capture=source, message=f"Left out: {source}: {text}")


def _warning(code: str, source: str, text: str) -> QualityNote:  # noqa: PLR0917
    return found(code, "warning", capture=source, message=text)
