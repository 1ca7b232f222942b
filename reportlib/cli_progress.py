"""What is shown while many sessions are worked on: bars in a terminal, lines elsewhere."""

import contextlib
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from reportlib.cli_shared import echo
from reportlib.one_line import one_line

if TYPE_CHECKING:
    from reportlib.refreshing import Outcome


class Quiet:
    """Shows nothing."""

    def at_work(self, folder: str, what: str) -> None:
        """Show what is being done in a folder."""

    def done(self, outcome: "Outcome") -> None:
        """Show what became of a session."""


class _Lines(Quiet):
    """Says a line for every session that was worked on, where nobody watches a terminal."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._done = 0

    def done(self, outcome: "Outcome") -> None:
        self._done += 1
        if outcome.kind != "up to date":
            text = f"{self._done}/{self._count} {outcome.folder}: {outcome.kind}"
            echo(f"{text}, {outcome.seconds:.1f} s", err=True)


class _Bars(Quiet):
    """One bar over all, and a line for every session at work."""

    def __init__(self, progress: Any, *, count: int) -> None:
        self._progress = progress
        self._over_all = progress.add_task("all", total=count, what="", count=f"0/{count}")
        self._count, self._done = count, 0
        self._tasks: dict[str, Any] = {}

    def at_work(self, folder: str, what: str) -> None:
        if folder not in self._tasks:
            self._tasks[folder] = self._progress.add_task(
                _plain(one_line(folder)), total=None, what=what, count=""
            )
        self._progress.update(self._tasks[folder], what=what)

    def done(self, outcome: "Outcome") -> None:
        if (task := self._tasks.pop(outcome.folder, None)) is not None:
            self._progress.remove_task(task)
        self._done += 1
        self._progress.update(self._over_all, advance=1, count=f"{self._done}/{self._count}")


@contextlib.contextmanager
def progress(count: int, *, quiet: bool) -> Iterator[Quiet]:
    """Show how far `count` sessions are; nothing where `quiet`."""
    if quiet or not sys.stderr.isatty():
        yield Quiet() if quiet else _Lines(count)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    with Progress(
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[count]}"),
        TimeElapsedColumn(),
        TextColumn("{task.fields[what]}"),
        console=Console(stderr=True),
        transient=True,
    ) as progress:
        yield _Bars(progress, count=count)


def _plain(text: str) -> str:
    from rich.markup import escape

    return escape(text)
