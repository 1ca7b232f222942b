"""Run again when a session changes: a capture arrives, a fact or the text is edited.

What counts is what the report is made of; what the report itself writes does not, nor what
recorders and editors keep beside their files.
"""

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

_OURS = (".upheld", "out")
_SETTLED_MS = 800
"""A file counts as written when nothing has changed for so long; a capture that is still being
recorded when the run reads it is refused, and read again at its next change."""

State = Mapping[Path, tuple[int, int]]
"""Size and time of change in ns, by path."""


def watched(folder: Path, path: Path) -> bool:
    """Whether a change of `path` is one of what the report on `folder` is made of.

    >>> watched(Path("s"), Path("s/captures/a.wav")), watched(Path("s"), Path("s/out/report.pdf"))
    (True, False)
    """
    try:
        parts = path.relative_to(folder).parts
    except ValueError:
        return False
    if not parts or parts[0] in _OURS:
        return False
    return not any(part.startswith((".", "~")) or part.endswith(("~", ".tmp")) for part in parts)


def state_of(folder: Path) -> dict[Path, tuple[int, int]]:
    """Return size and time of change of every watched file there is."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if not watched(folder, path):
            continue
        try:
            status = path.stat()
        except OSError:  # gone meanwhile
            continue
        if path.is_file():
            found[path] = (status.st_size, status.st_mtime_ns)
    return found


def differing(before: State, after: State) -> tuple[Path, ...]:
    """Return the files that came, went or changed, in order."""
    return tuple(path for path in sorted({*before, *after}) if before.get(path) != after.get(path))


def run_on_changes(
    folder: Path,
    *,
    run: Callable[[tuple[Path, ...]], None],
    events: Iterable[object] | None = None,
) -> None:
    """Call `run` once, and again whenever something changed; ends when `events` do.

    Parameters
    ----------
    folder : the session
    run : called with the files that changed, none the first time; what it writes itself does not
        start it again
    events : yields when something may have changed; by default the system tells (Ctrl-C ends it)
    """
    run(())
    seen = state_of(folder)
    for _ in _system_events(folder) if events is None else events:
        changed = differing(seen, state_of(folder))
        if not changed:
            continue
        run(changed)
        seen = state_of(folder)


def _system_events(folder: Path) -> Iterable[object]:
    import watchfiles

    return watchfiles.watch(
        folder,
        step=_SETTLED_MS,
        debounce=60_000,
        raise_interrupt=False,
        watch_filter=lambda _, path: watched(folder.resolve(), Path(path).resolve()),
    )
