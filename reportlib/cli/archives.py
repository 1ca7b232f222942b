"""``upheld archive``: the sessions below a folder, listed, filtered, and made again."""

import contextlib
import hashlib
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from reportlib.cli.shared import echo, echo_json, json_text, one_line_errors, progress
from reportlib.errors import ReportError, one_line
from reportlib.judge.thresholds import BEHIND_DB
from reportlib.many import stores
from reportlib.many.catalogue import write_catalogue
from reportlib.many.columns import COLUMNS, Filter, compile_filter
from reportlib.many.index import Index, read_index
from reportlib.many.making import Outcome
from reportlib.many.refresh import Here, refresh
from reportlib.many.rows import first_behind, since_before, value_said
from reportlib.many.stores import is_address, module_for
from reportlib.session import lock

if TYPE_CHECKING:
    Refresh = Callable[..., Sequence[str]]

_MOST_LINES = 12
FAILED, INTERRUPTED = 3, 130
"""Exit codes: 130 is the one that shells give a program that Ctrl-C ended."""


def _list_columns(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    """Print the columns and end, before a folder is asked for."""
    if not wanted or context.resilient_parsing:
        return
    for column in COLUMNS.values():
        words = f" ({', '.join(column.words)})" if column.words else ""
        echo(f"{column.name:32} {column.about}{words}")
    context.exit()


@click.command()
@click.argument("folder", metavar="DIR")
@click.option("--where", "asked", help="List, or refresh, only those that this holds for.")
@click.option("--refresh", is_flag=True, help="Make the reports again that are out of date.")
@click.option("--all", "whatever", is_flag=True, help="With --refresh: those that are not, too.")
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    help="With --refresh: reports made at a time.  [default: a processor core each]",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="With --refresh: of a Dask cluster whose workers make the reports, as tcp://host:port.",
)
@click.option(
    "--cache",
    metavar="PATH",
    type=click.Path(path_type=Path, file_okay=False),
    help="With DIR in a store: folder of each machine that keeps what was fetched.",
)
@click.option(
    "--catalogue/--no-catalogue",
    default=True,
    show_default=True,
    help="Write DIR/catalogue/index.html.",
)
@click.option(
    "--columns",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_list_columns,
    help="List the columns that --where knows, and end.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@one_line_errors
def archive(
    folder: str,
    *,
    asked: str | None,
    refresh: bool,
    whatever: bool,
    jobs: int | None,
    scheduler: str | None,
    cache: Path | None,
    catalogue: bool,
    as_json: bool,
) -> None:
    """List the sessions below DIR, write their catalogue, and make reports again.

    A filter compares columns by =, !=, <, <=, >, >= or has, joined by and, or and parentheses. A
    limit that was not reached counts as beyond the level that was tested. Exit code 0 when done,
    3 where some of the reports could not be made, 130 where Ctrl-C ended it: the same command
    goes on with what is left.

    \b
    Example:
      upheld archive my-sessions --where "limit_1db_mids > 95 and grade_bass = holds"
      upheld archive my-sessions --where "seat_loud_music = yes and seat_room = living room"
      upheld archive my-sessions --where "measured > 1 and changed != within the interval"
      upheld archive my-sessions --refresh --jobs 4
      upheld archive s3://library/tests --refresh --scheduler tcp://10.0.0.2:8786
    """
    if whatever and not refresh:
        raise click.UsageError("--all says what --refresh makes again: give both.")
    if scheduler and (jobs or not refresh):
        raise click.UsageError("--scheduler goes with --refresh, and without --jobs.")
    chosen = None if asked is None else compile_filter(asked)
    with _archive_at(folder, cache=cache) as at:
        index = at.index()
        code = 0
        if refresh:
            by = partial(_refreshed, at.archive, jobs=jobs, scheduler=scheduler, cache=cache)
            folders = list(index.folders(chosen))
            code = _refresh(by, folders=folders, whatever=whatever, as_json=as_json)
            index = at.index()
        elif as_json:
            _print_json(index, chosen=chosen)
        else:
            _print_table(index, chosen=chosen)
        if catalogue and len(index) and (chosen is None or refresh):
            page = at.write_catalogue(index)
            if not as_json:
                echo(f"Catalogue: {page}")
    sys.exit(code)


class _Folder:
    """An archive in a folder of this machine."""

    def __init__(self, folder: Path) -> None:
        self.archive: Path | str = folder
        self._folder = folder

    def index(self) -> "Index":
        """Read its index."""
        return read_index(self._folder, say=_note)

    def write_catalogue(self, index: "Index") -> str:
        """Write its catalogue and return where that is."""
        return str(write_catalogue(index, archive=self._folder))


class _InAStore(_Folder):
    """An archive in a store, by its shadow in a folder of this machine."""

    def __init__(self, address: str, *, folder: Path) -> None:
        super().__init__(folder)
        self.archive = address
        self._shadow = stores.Shadow(stores.place_at(address), folder=folder)

    def index(self) -> "Index":
        """Read its index, from what the store holds now."""
        self._shadow.bring_up_to_date()
        return read_index(self._folder, say=self._note, address=str(self.archive))

    def _note(self, line: str) -> None:
        _note(line.replace(str(self._folder), str(self.archive)))

    def write_catalogue(self, index: "Index") -> str:
        """Write its catalogue into the store and return where that is."""
        page = Path(super().write_catalogue(index))
        self._shadow.put_catalogue()
        return f"{self.archive}/{page.relative_to(self._folder).as_posix()}"


@contextlib.contextmanager
def _archive_at(text: str, *, cache: Path | None) -> Iterator[_Folder]:
    if not is_address(text):
        yield _Folder(Path(text))
        return
    address = text.rstrip("/")
    if cache is not None:
        name = hashlib.sha256(address.encode()).hexdigest()[:16]
        yield _InAStore(address, folder=cache / "archives" / name / address.rpartition("/")[2])
        return
    with lock.own_folder() as folder:
        yield _InAStore(address, folder=folder / address.rpartition("/")[2])


def _note(line: str) -> None:
    echo(f"upheld: {line}", err=True)


def _print_json(index: "Index", *, chosen: "Filter | None") -> None:
    """Print one session a line, so that memory does not grow with the archive."""
    echo('{"sessions": [')
    last = ""
    for row in index.rows(chosen):
        if last:
            echo(f"{last},")
        last = json_text(row)
    echo(last)
    untold = index.untold(chosen) if chosen else 0
    echo(f'], "all": {len(index)}, "cant_tell": {untold}}}')


def _print_table(index: "Index", *, chosen: "Filter | None") -> None:
    fixed = ("name", "date", "folder", "problem")
    extra = [name for name in (chosen.columns if chosen else ()) if name not in fixed]
    heads = ["Loudspeaker", "Day", "Folder", f"{BEHIND_DB[0]:g} dB behind", "left playing", *extra]
    problems, lines, again = [], [], False
    for row in index.rows(chosen):
        behind = [first_behind(row, test=test) for test in ("short_term", "long_term")]
        if row["state"] != "reported":
            behind[0] = str(row["state"])
        cells = [str(row["name"]), str(row["date"] or ""), str(row["folder"]), *behind]
        cells += [value_said(row, name) for name in extra]
        since = since_before(row)
        again = again or bool(since and "changed" not in extra)
        lines.append([*cells, since])
        if row["problem"]:
            problems.append(f"{row['folder']}: {row['problem']}")
    count = len(lines)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in [*heads, "measured again"] if again else heads:
        table.add_column(head, overflow="fold", min_width=4)
    for cells in lines:  # a name is no markup
        table.add_row(*(Text(one_line(cell)) for cell in cells[: len(table.columns)]))
    if count:
        console = Console(highlight=False, soft_wrap=not sys.stdout.isatty())
        console.print(table) if sys.stdout.isatty() else _print_wide(table)
    for line in problems:
        _note(line)
    for name, many in index.same_names() if chosen is None else ():
        _note(f"{many} sessions are called {name}; their folders tell them apart.")
    found = f"{count} of {len(index)} sessions." if chosen else f"{_counted(count)}."
    untold = index.untold(chosen) if chosen else 0
    echo(f"{found} Of {untold} more it can’t be told." if untold else found)


def _print_wide(table: Any) -> None:
    """Print a table as wide as it is: a file or a pipe has no edge to break lines at."""
    Console(highlight=False, width=10_000, no_color=True).print(table)


def _refreshed(
    archive: Path | str, *, jobs: int | None, scheduler: str | None, **how: Any
) -> tuple[str, ...]:
    """Refresh by processes of this machine, or by those of a cluster."""
    if scheduler is None:
        preload = [module_for(archive)] if isinstance(archive, str) else []
        with Here(jobs or _cores(), preload=preload) as here:
            return refresh(archive, workers=here, **how)
    from reportlib.many.cluster import PATIENCE_S, Cluster, connected

    with connected(scheduler) as client:
        workers = Cluster(client, scheduler=scheduler)
        return refresh(archive, workers=workers, patience_s=PATIENCE_S, **how)


def _refresh(by: "Refresh", *, folders: Sequence[str], whatever: bool, as_json: bool) -> int:
    found: list[Outcome] = []
    lost: ReportError | None = None
    left: Sequence[str] = ()
    with progress(len(folders), quiet=as_json) as shown:

        def done(outcome: "Outcome") -> None:
            found.append(outcome)
            shown.done(outcome)

        try:
            left = by(
                folders=folders,
                whatever=whatever,
                say=shown.at_work,
                done=done,
                ending=lambda: _note(
                    "ending when the reports at work are made; Ctrl-C ends at once."
                ),
            )
        except ReportError as error:
            if not found:
                raise
            lost = error  # what was made until then is told all the same
            left = sorted(set(folders) - {one.folder for one in found})
    if as_json:
        _print_outcomes_json(found, left=left)
    else:
        _print_outcomes(found, left=left)
    if lost is not None:
        _note(str(lost))
        return FAILED
    if left:
        return INTERRUPTED
    return FAILED if any(one.kind == "failed" for one in found) else 0


def _print_outcomes_json(found: "Sequence[Outcome]", *, left: Sequence[str]) -> None:
    listed = [
        {**asdict(one), "folder": one_line(one.folder)}
        for one in sorted(found, key=lambda one: one.folder)
    ]
    outcome = {"sessions": listed, "left": [one_line(folder) for folder in left]}
    echo_json(outcome)


def _print_outcomes(found: "Sequence[Outcome]", *, left: Sequence[str]) -> None:
    ordered = sorted(found, key=lambda one: one.folder)
    for one in ordered:
        if one.kind == "made":
            more = f" and {len(one.why) - 2} more" if len(one.why) > 2 else ""
            echo(f"{one.folder}: made again, since {', '.join(one.why[:2])}{more}.")
            lines = [difference.line() for difference in one.changed]
            for line in (*lines[:_MOST_LINES], *(f"read again: {why}" for why in one.read_again)):
                echo(f"  {line}")
            if len(lines) > _MOST_LINES:
                echo(f"  and {len(lines) - _MOST_LINES} more; --json lists them")
            if one.not_run:
                echo(f"  not run: code that somebody put into its notebook ({one.not_run})")
    for kind in ("skipped", "failed"):
        for one in ordered:
            if one.kind == kind:
                echo(f"{kind}: {one.line}", err=True)
    made = [one for one in ordered if one.kind == "made"]
    said = sum(bool(one.changed) for one in made)
    counts = {kind: sum(one.kind == kind for one in found) for kind in ("skipped", "failed")}
    echo(
        f"{_counted(len(found))}: {len(made)} made again ({said} of them say something else now), "
        f"{sum(one.kind == 'up to date' for one in found)} up to date, {counts['skipped']} "
        f"skipped, {counts['failed']} failed."
    )
    if left:
        echo(f"Interrupted: {len(left)} left. The same command goes on.", err=True)


def _counted(count: int) -> str:
    return "1 session" if count == 1 else f"{count} sessions"


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
