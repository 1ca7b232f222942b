"""``upheld check``: what went wrong with recordings, and the numbers typed into the text."""

import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from reportlib.check import kinds
from reportlib.check.kinds import kinds_markdown
from reportlib.cli.shared import (
    JSON,
    SESSION,
    echo,
    echo_json,
    one_line_errors,
    status,
)
from reportlib.judge.analysis import check_session
from reportlib.publish.kinds import COMPARISON, REPORT, kind_of
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session


def _print_codes(context: click.Context, _: click.Parameter, asked: bool) -> None:
    if asked:
        for line in kinds_markdown().splitlines():
            echo(line)
        context.exit()


@click.command()
@SESSION
@click.option(
    "--codes",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_codes,
    help="Print the table of all that a check can say, and end.",
)
@JSON
@one_line_errors
def check(session: Path, *, as_json: bool) -> None:
    """Check SESSION's recordings, and list the numbers typed into its text; nothing is written.

    Recordings are checked for what goes wrong on a measuring day; numbers that somebody typed into
    the notebook by hand are listed with the quotes that would tie them to the data. Exit code 0
    where nothing is worse than a note, 3 where there are warnings or captures that had to be left
    out, 2 where the session cannot be analysed at all. SESSION may be a
    comparison's folder, too: then every session of it is checked.

    \b
    Example:
      upheld check demo_inputs/trivet-6
    """
    if kind_of(session) is COMPARISON:
        sys.exit(_check_comparison(session, as_json=as_json))
    with status("measuring and comparing"):
        notes = check_session(
            read_session(session), parameters=checked_parameters(session=str(session))
        )
    loose: tuple[Any, ...] = ()
    if (session / REPORT.notebook).exists():  # else no library of notebooks is imported
        from reportlib.publish.ready import session_untied

        loose = session_untied(session)
    if as_json:
        echo_json({**kinds.check_document(notes), "untied": [asdict(one) for one in loose]})
    else:
        for line in kinds.check_lines(notes):
            echo(line)
        for one in loose:
            echo(one.line())
    sys.exit(kinds.exit_code(notes))


def _check_comparison(folder: Path, *, as_json: bool) -> int:
    """Check every session of a comparison, print what was found, and return the exit code."""
    from reportlib.many.folder import check_compared
    from reportlib.publish.ready import session_untied

    with status("measuring and comparing"):
        found = check_compared(folder)
    loose = session_untied(folder, kind=COMPARISON)
    if as_json:
        document = {
            "sessions": {name: kinds.check_document(notes) for name, notes in found.items()},
            "untied": [asdict(one) for one in loose],
        }
        echo_json(document)
    else:
        for name, notes in found.items():
            first, *lines = kinds.check_lines(notes)
            for line in (f"{name}: {first}", *lines):
                echo(line)
        for one in loose:
            echo(one.line())
    return max(kinds.exit_code(notes) for notes in found.values())
