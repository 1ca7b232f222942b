"""What several verbs have in common: options, progress, where things were written, errors.

Names and texts of a session folder may be a stranger's: all that is printed goes through
`echo` or `echo_json`, where no character of theirs can do anything to a terminal.

What the user can mend is one line on standard error. While many sessions are worked on there are
bars in a terminal, lines elsewhere.
"""

import contextlib
import json
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import asdict
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from reportlib.errors import ReportError, bends, one_line
from reportlib.publish.kinds import kind_of

if TYPE_CHECKING:
    from reportlib.many.making import Outcome
    from reportlib.publish.report import Made, Rendered

SPEAKERS = ("marram-12", "trivet-6", "samphire-3")
PAPERS = ("a4", "letter")
SEAT_ROOMS = ("kitchen desk", "living room", "film night in a hall", "small stage")

SESSION = click.argument("session", type=click.Path(path_type=Path))
PAPER = click.option(
    "--paper",
    type=click.Choice(PAPERS),
    help="What the PDF is set for; remembered for this session.  [default: a4]",
)
BRING_BACK = click.option(
    "--bring-back",
    metavar="CELL",
    multiple=True,
    help="Put a cell that you deleted from the notebook back in its place, by its name.",
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")

_ASKED = (
    click.option(
        "--seat-room",
        type=click.Choice(SEAT_ROOMS),
        help="Where the reader listens.  [default: living room]",
    ),
    click.option(
        "--seat-distance",
        "seat_distance_m",
        type=float,
        help="Where the reader sits, in metres from the loudspeakers.  [default: as usual there]",
    ),
    click.option(
        "--seat-loudspeakers",
        type=click.IntRange(1, 12),
        help="How many loudspeakers play there.  [default: as usual there]",
    ),
    click.option(
        "--seat-volume",
        "seat_volume_m3",
        type=float,
        help="Volume of the room there, in cubic metres.  [default: as usual there]",
    ),
    click.option(
        "--seat-reverberation",
        "seat_reverberation_s",
        type=float,
        help="Reverberation time of the room there, in seconds.  [default: as usual there]",
    ),
    click.option(
        "--smoothing",
        "smoothing_fraction",
        type=click.IntRange(1, 48),
        help="Smoothing of responses, the n of 1/n octave.  [default: 12]",
    ),
    click.option(
        "--words",
        metavar="FOLDER",
        help="Folder of your own wordings (upheld words lists ours); '' goes without.  "
        "[default: words, beside the session's folder]",
    ),
)


def asked(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that are parameters of the notebook: the seat, smoothing, own wordings."""
    for option in reversed(_ASKED):
        command = option(command)
    return command


def given(parameters: dict[str, Any]) -> dict[str, Any]:
    """Return those of `asked` that somebody gave."""
    return {name: value for name, value in parameters.items() if value is not None}


def echo(line: str, *, err: bool = False) -> None:
    """Print one line, whatever stands in it."""
    click.echo(one_line(line), err=err)


def echo_json(document: object) -> None:
    """Print JSON that says the same with any character that is no letter written as JSON has it."""
    click.echo(json_text(document, indent=1))


def json_text(document: object, *, indent: int | None = None) -> str:
    """Return what `echo_json` prints."""
    text = json.dumps(document, ensure_ascii=False, indent=indent)
    return re.sub("[^ -~\n]", lambda c: json.dumps(c[0])[1:-1] if bends(c[0]) else c[0], text)


@contextlib.contextmanager
def status(what: str) -> Iterator[None]:
    """Show what is being done while it is, where somebody watches, and how long it took."""
    began = time.monotonic()
    with Console(stderr=True).status(what) if sys.stderr.isatty() else nullcontext():
        yield
    echo(f"{what}: {time.monotonic() - began:.1f} s", err=True)


def say_made(folder: Path, *, rendered: "Rendered", left_out: Sequence[str] = ()) -> None:
    """Say the verdict, how far the data can be trusted, where everything is, what comes next."""
    kind = kind_of(folder)
    for line in left_out:
        echo(f"upheld: your wordings: {line}", err=True)
    if rendered.verdict:
        echo(rendered.verdict)
    if rendered.warnings:
        many = f"{rendered.warnings} warning{'s' * (rendered.warnings > 1)}"
        echo(f"{many} about the data: upheld check {folder}")
    pages = sorted(path.name for path in rendered.written if path.parent == folder / "out")
    echo(f"In {folder / 'out'}: {', '.join(pages)}.")
    echo(f"To edit: {folder / kind.notebook}; then: upheld publish {folder}")


def outcome(made: "Made") -> dict[str, Any]:
    """Return what a run did, as ``--json`` prints it."""
    run = made.run
    return {
        "notebook": str(run.notebook),
        "written": [str(path) for path in made.rendered.written],
        "kept_cells": list(run.kept_slots),
        "deleted_cells": list(run.deleted_cells),
        "merged_cells": list(run.joined_slots),
        "own_code_stopped": list(run.stopped),
        "own_code_not_run": run.not_run,
        "set_aside": None if run.aside is None else str(run.aside),
        "quotes": [{"cell": slot, **asdict(quote)} for slot, quote in run.quotes],
        "read_again": {slot: list(why) for slot, why in run.read_again.items()},
        "wordings_leave_out": list(made.left_out),
    }


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
    return escape(text)


def one_line_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Print a mendable error as one line, with its exit code."""

    @wraps(command)
    def wrapped(*args: Any, **options: Any) -> None:
        try:
            command(*args, **options)
        except ReportError as error:
            echo_error(error)
            sys.exit(error.exit_code)

    return wrapped


def echo_error(error: ReportError) -> None:
    """Print one error."""
    echo(f"upheld: {' '.join(str(error).split())}", err=True)
