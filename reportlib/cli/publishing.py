"""``upheld publish`` and ``upheld history``: the notebook rendered again, or an earlier one."""

from pathlib import Path
from typing import Any

import click

from reportlib.cli.shared import (
    JSON,
    PAPER,
    SESSION,
    echo,
    echo_json,
    one_line_errors,
    say_made,
    status,
)
from reportlib.errors import NotebookError
from reportlib.publish import history as publish_history
from reportlib.publish import memory, notebook, ready
from reportlib.publish import report as publish_report
from reportlib.publish.kinds import kind_of
from reportlib.publish.ready import session_untied
from reportlib.session import files, lock


@click.command()
@SESSION
@PAPER
@click.option("--as-it-is", is_flag=True, help="Publish though cells are to be read again or run.")
@JSON
@one_line_errors
def publish(session: Path, *, paper: Any, as_it_is: bool, as_json: bool) -> None:
    """Render SESSION's edited notebook again, without analysing anything.

    SESSION may be a comparison's folder, too.

    \b
    Example:
      upheld publish demo_inputs/trivet-6
    """
    kind = kind_of(session)
    path = session / kind.notebook
    saved = notebook.read_saved(path)
    ready.require_ready(session, as_it_is=as_it_is, kind=kind, saved=saved)
    with (
        lock.same_folder(session),
        lock.only_run(session / memory.FOLDER, what="upheld publish"),
    ):
        if files.read_bytes(path, inside=session) != saved.data:  # a run came to its end meanwhile
            saved = notebook.read_saved(path)
            ready.require_ready(session, as_it_is=as_it_is, kind=kind, saved=saved)
        with status("rendering page, PDF and pictures"):
            rendered = publish_report.render_session(session, kind=kind, paper=paper, saved=saved)
        ready.record_publication(session, kind=kind, saved=saved)
        loose = session_untied(session, kind=kind, saved=saved)
    if as_json:
        echo_json({"written": [str(path) for path in rendered.written]})
        return
    for one in loose:
        echo(one.line())
    say_made(session, rendered=rendered)


@click.command()
@SESSION
@click.option("--restore", type=int, help="Put this version in the notebook's place.")
@JSON
@one_line_errors
def history(session: Path, *, restore: int | None, as_json: bool) -> None:
    """List the earlier notebooks of SESSION that are kept, or put one back.

    A notebook is kept before and after every run; the last 30 are. What stands in report.ipynb
    is kept before another version takes its place. SESSION may be a comparison's folder, too.

    \b
    Example:
      upheld history demo_inputs/trivet-6 --restore 3
    """
    if not (session / memory.FOLDER).is_dir():
        raise NotebookError(
            f"{session}: nothing is kept there. Make a report first: upheld report {session}"
        )
    target = session / kind_of(session).notebook
    if restore is not None:
        with lock.only_run(session / memory.FOLDER, what="upheld history"):
            version = publish_history.restore(session, number=restore, notebook=target)
        echo(f"Put version {version.number} in the place of {target}.")
        return
    versions = publish_history.versions(session)
    if as_json:
        listed = [
            {
                "number": one.number,
                "saved": one.saved.isoformat(timespec="seconds"),
                "why": one.why,
                "bytes": one.size,
            }
            for one in versions
        ]
        echo_json(listed)
        return
    for one in versions:
        kilobytes = max(1, round(one.size / 1000))
        echo(f"{one.number:5d}  {one.saved:%Y-%m-%d %H:%M}  {kilobytes:6d} kB  {one.why}")
    if not versions:
        echo("Nothing is kept yet.")
