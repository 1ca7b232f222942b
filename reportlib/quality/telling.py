"""The quality gate for people and for programs: text, JSON, exit code."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict

from reportlib.model import QualityNote, Severity
from reportlib.quality.kinds import BY_CODE, KINDS

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
