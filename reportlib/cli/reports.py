"""``upheld report``: the whole chain on one session, once or whenever it changes."""

from pathlib import Path
from typing import Any

import click

from reportlib.cli.shared import (
    BRING_BACK,
    JSON,
    PAPER,
    SESSION,
    asked,
    echo,
    echo_error,
    echo_json,
    given,
    one_line_errors,
    outcome,
    say_made,
    status,
)
from reportlib.errors import ReportError
from reportlib.publish.report import make_report, run_on_changes


@click.command()
@SESSION
@asked
@PAPER
@BRING_BACK
@click.option("--watch", is_flag=True, help="Run again whenever the session changes.")
@JSON
@one_line_errors
def report(session: Path, *, watch: bool, **options: Any) -> None:
    """Analyse SESSION, fill its notebook, and render page, PDF, pictures and data.

    SESSION is a folder with a session.toml. Text that you edited in its report.ipynb is kept.
    An option that you give is remembered for this session's next runs.

    \b
    Example:
      upheld report demo_inputs/trivet-6
    """
    if not watch:
        _report(session, **options)
        return

    def run(changed: tuple[Path, ...]) -> None:
        if changed:
            echo(f"Changed: {', '.join(path.name for path in changed)}.")
            options["bring_back"] = ()  # asked for once
        try:
            _report(session, **options)
        except ReportError as error:  # mended, it changes again
            echo_error(error)
        echo("Waiting for changes; Ctrl-C ends it.", err=True)

    run_on_changes(session, run=run)


def _report(
    session: Path, *, paper: Any, bring_back: tuple[str, ...], as_json: bool, **parameters: Any
) -> None:
    made = make_report(
        session, given=given(parameters), paper=paper, bring_back=bring_back, stage=status
    )
    if as_json:
        echo_json(outcome(made))
        return
    for line in made.run.lines():
        echo(line)
    say_made(session, rendered=made.rendered, left_out=made.left_out)
