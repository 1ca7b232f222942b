"""What was published, and what has changed since: a report's own record of itself.

``.upheld/published.json`` holds one entry for every `upheld publish`: when, by which version,
from which captures and which words, with which grades and numbers. What two of them differ by
is what a correction must say.
"""

import datetime
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from reportlib import files
from reportlib.corrected import Changed, Published
from reportlib.facts import band_key, written
from reportlib.judged import SEAT_SETUP
from reportlib.model import BandResult, Fact

MOST_KEPT = 100
_FILE = ".upheld/published.json"


def record(
    *,
    when: datetime.datetime,
    tool_version: str,
    digests: Mapping[str, str],
    narrative: Mapping[str, str],
    judged: Mapping[str, str],
    numbers: Mapping[str, str],
) -> Published:
    """Make the entry of a publication.

    Parameters
    ----------
    digests : of the session's files, by path
    narrative : texts by slot
    """
    listed = "\n".join(f"{path} {digest}" for path, digest in sorted(digests.items()))
    return Published(
        when=when.replace(microsecond=0, tzinfo=None).isoformat(),
        tool_version=tool_version,
        captures=_digest(listed),
        narrative={slot: _digest(text) for slot, text in sorted(narrative.items())},
        judged=dict(sorted(judged.items())),
        numbers=dict(sorted(numbers.items())),
    )


def read_published(session_folder: Path) -> tuple[Published, ...]:
    """Read what was published, the oldest first; a damaged record counts as none."""
    try:
        entries = json.loads(files.read_bytes(session_folder / _FILE, inside=session_folder))
        return tuple(Published(**entry) for entry in entries)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return ()


def keep_published(session_folder: Path, entry: Published) -> None:
    """Add a publication to the record, unless it says what the last one said.

    Raises
    ------
    RenderError
        It could not be written.
    """
    before = read_published(session_folder)
    if before and replace(before[-1], when=entry.when) == entry:
        return  # the same words about the same numbers
    entries = [*before, entry][-MOST_KEPT:]
    text = json.dumps([asdict(one) for one in entries], ensure_ascii=False, indent=1) + "\n"
    files.write_text_safely(session_folder / _FILE, text, inside=session_folder)


def changes(
    then: Published, *, judged: Mapping[str, str], numbers: Mapping[str, str]
) -> tuple[Changed, ...]:
    """Return which grades read otherwise now, and which of the numbers quoted then.

    A number that was not quoted then is no correction; one that has gone is. Every report answers
    the same needs; what stands on one side alone, an earlier version wrote of another seat.
    """
    found = [
        Changed(name=name, then=then.judged.get(name, ""), now=judged.get(name, ""))
        for name in dict.fromkeys((*then.judged, *judged))
        if not name.startswith("need.") or (name in then.judged and name in judged)
    ]
    found += [
        Changed(name=name, then=value, now=numbers.get(name, ""))
        for name, value in then.numbers.items()
    ]
    return tuple(one for one in found if one.then != one.now)


def since_published(
    session_folder: Path, *, judged: Mapping[str, str], facts: Mapping[str, Fact]
) -> tuple[Published | None, tuple[Changed, ...]]:
    """Return the last publication, None before the first, and what reads otherwise since."""
    published = read_published(session_folder)
    if not published:
        return None, ()
    last = published[-1]
    numbers = written_numbers(facts, names=frozenset(last.numbers))
    return last, changes(last, judged=judged, numbers=numbers)


def judged(document: Mapping[str, Any]) -> dict[str, str]:
    """Return what ``results.json`` judges, by name: grades, causes and answers, as they are said.

    Raises
    ------
    KeyError, TypeError
        It is no such document.
    """
    found = {}
    for band in document["bands"]:
        may_be = band["grade_may_be"]
        said = f"{band['grade']}, may be {may_be}" if may_be else str(band["grade"])
        found[band_key(BandResult(**band))] = said
    for one in document.get("findings", ()):
        found[f"finding.{one['cause']}"] = f"fits, {one['confidence']} confidence"
    for one in document.get("needs", ()):
        if one["setup"] == SEAT_SETUP:  # no words speak of what is needed elsewhere
            found[f"need.{one['need']}, {SEAT_SETUP}"] = str(one["answer"])
    return found


def quoted_names(texts: Sequence[str]) -> frozenset[str]:
    """Return the names of the facts that Markdown texts quote."""
    found = [name for text in texts for name in re.findall(r"\]\(#fact-([\w.-]+)\)", text)]
    return frozenset(found)


def written_numbers(facts: Mapping[str, Fact], *, names: frozenset[str]) -> dict[str, str]:
    """Write the facts of these names as they stand in prose."""
    return {name: written(facts[name]) for name in sorted(names) if name in facts}


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]
