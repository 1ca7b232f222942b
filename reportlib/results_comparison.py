"""Stub."""

import json

from reportlib.compared import Comparison


def comparison_json(comparison: Comparison, *, tool_version: str) -> str:
    """Stub."""
    return (
        json.dumps({"format": 1, "tool_version": tool_version, "sessions": list(comparison.names)})
        + "\n"
    )


def comparison_csv(comparison: Comparison) -> str:
    """Stub."""
    return "session\n" + "".join(f"{n}\n" for n in comparison.names)
