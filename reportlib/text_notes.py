"""What a reader should know about column-text captures, which tell less than recordings do."""

import math
from collections.abc import Sequence

import numpy as np

from reportlib.day import TextFacts
from reportlib.levels import G
from reportlib.model import FloatArray, QualityNote, Response
from reportlib.numbers import frequency
from reportlib.text_response import ColumnText

_MOST_NAMED = 3


def text_notes(
    responses: Sequence[Response], *, facts: TextFacts, fraction: int, gate_s: float
) -> list[QualityNote]:
    """Say what the files leave unknown: noise, gate, smoothing, gaps.

    Parameters
    ----------
    responses : one a file, on the grid
    facts : what the session says of the files
    fraction : smoothing of the report, as the n of 1/n octave
    gate_s : inf where nobody says
    """
    if facts.snr_db is None:
        noise = "how much noise stood in them is not known"
    else:
        noise = f"noise is taken as stated ({_db(facts.snr_db)} of signal over noise)"
    notes = [
        _note(
            "uncertainty-lower-bound",
            f"The captures are text files, without recordings behind them: {noise}, and nothing "
            "checks them. Every interval is a lower bound; a grade close to a limit names its "
            "neighbour.",
        )
    ]
    if math.isinf(gate_s):
        notes.append(
            _note(
                "gate-unknown",
                "Neither [text] nor [rig] says which gate the text files were made with: how far "
                "down they can tell a local change is not known.",
            )
        )
    smoothed = facts.smoothing_octaves
    if smoothed is None:
        notes.append(
            _note(
                "smoothing-unknown",
                "[text] does not say how the text files were smoothed; they were taken as not "
                "smoothed, and smoothed here where they are fine enough.",
            )
        )
    elif smoothed * fraction > 1.001:
        notes.append(
            _note(
                "smoothing-coarse",
                f"The text files were smoothed over {smoothed:.3g} octave, wider than the report’s "
                f"1/{fraction}: what is narrower is flattened in them. They were not smoothed "
                "again.",
            )
        )
    for response in responses:
        gaps = gap_ranges_hz(response.untold, frequency_hz=response.frequency_hz)
        if gaps:
            named = ", ".join(
                f"{frequency(low)} to {frequency(high)}" for low, high in gaps[:_MOST_NAMED]
            )
            more = f" and {len(gaps) - _MOST_NAMED} more" if len(gaps) > _MOST_NAMED else ""
            notes.append(
                _note(
                    "text-gaps",
                    f"Its frequencies stand too far apart to tell what lies between ({named}"
                    f"{more}). Export it finer.",
                    capture=response.source,
                )
            )
    return notes


def correction_notes(correction: ColumnText, *, frequency_hz: FloatArray) -> list[QualityNote]:
    """Say where the microphone's correction ends before the curves do."""
    first, last = float(correction.frequency_hz[0]), float(correction.frequency_hz[-1])
    held = (frequency_hz < first / G ** (1 / 6)) | (frequency_hz > last * G ** (1 / 6))
    if not held.any():
        return []
    text = (
        f"The microphone’s correction covers {frequency(first)} to {frequency(last)}; beyond, its "
        "last value was held. Changes do not depend on it."
    )
    return [_note("microphone-correction-held", text, capture=correction.source)]


def gap_ranges_hz(reasons: Sequence[str], *, frequency_hz: FloatArray) -> list[tuple[float, float]]:
    """Return first and last frequency of every stretch of points that fall into a gap."""
    inside = np.array([reason == "gap" for reason in reasons], dtype=np.int8)
    edges = np.flatnonzero(np.diff(inside, prepend=0, append=0))
    return [
        (float(frequency_hz[start]), float(frequency_hz[end - 1]))
        for start, end in zip(edges[::2], edges[1::2], strict=True)
    ]


def _db(value: float) -> str:
    return f"{value:g} dB".replace("-", "−")


def _note(code: str, text: str, *, capture: str = "") -> QualityNote:
    return QualityNote(code=code, severity="note", capture=capture, message=text)
