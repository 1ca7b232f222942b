"""``upheld compare``: several sessions beside each other, in a folder of their own."""

from pathlib import Path
from typing import Any

import click

from reportlib.cli.shared import (
    BRING_BACK,
    JSON,
    PAPER,
    asked,
    echo,
    echo_json,
    given,
    one_line_errors,
    outcome,
    say_made,
    status,
)
from reportlib.many.folder import make_comparison


@click.command()
@click.argument("sessions", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--into",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="The comparison's own folder.  [default: comparison, beside the sessions]",
)
@asked
@PAPER
@BRING_BACK
@JSON
@one_line_errors
def compare(
    sessions: tuple[Path, ...],
    *,
    into: Path | None,
    paper: Any,
    bring_back: tuple[str, ...],
    as_json: bool,
    **parameters: Any,
) -> None:
    """Compare two to eight SESSIONS at equal output, and render page, PDF, pictures and data.

    The comparison gets a folder of its own, with a comparison.ipynb whose text is yours to edit;
    the sessions stay as they are. Without SESSIONS those that the folder remembers are compared
    again. "upheld publish", "check" and "history" take that folder, too.

    \b
    Example:
      upheld compare my-demo/marram-12 my-demo/samphire-3
    """
    done = make_comparison(
        sessions,
        into=into,
        given=given(parameters),
        paper=paper,
        bring_back=bring_back,
        stage=status,
    )
    if as_json:
        document = {
            "folder": str(done.folder),
            "sessions": [str(path) for path in done.sessions],
            **outcome(done.made),
        }
        echo_json(document)
        return
    for line in done.made.run.lines():
        echo(line)
    say_made(done.folder, rendered=done.made.rendered, left_out=done.made.left_out)
