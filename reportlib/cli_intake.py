"""``upheld intake``: recordings from any recorder become captures of a planned session."""

import sys
from pathlib import Path

import click

from reportlib.cli_errors import one_line_errors
from reportlib.cli_shared import echo, echo_json


@click.command()
@click.argument("session", type=click.Path(path_type=Path))
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@one_line_errors
def intake(session: Path, recordings: tuple[Path, ...], *, as_json: bool) -> None:
    """File the sweeps and multitones of RECORDINGS as captures of a planned SESSION.

    RECORDINGS are WAV or FLAC files or folders of them, of any name, in any order, one long
    recording as well. They are only read. Exit code 0 where all was found, 3 where something is
    missing or doubtful.

    \b
    Example:
      upheld intake marram-12 marram-12/recordings
    """
    from reportlib import lock, memory
    from reportlib.intake_folder import take_in
    from reportlib.session import read_planned_session

    read_planned_session(session)  # before anything is made in a wrong folder
    say = None if as_json or not sys.stderr.isatty() else lambda name: echo(name, err=True)
    with lock.only_run(session / memory.FOLDER, what="upheld intake"):
        done = take_in(session, recordings, progress=say)
    if as_json:
        outcome = {
            "filed": dict(done.filed),
            "missing": list(done.missing),
            "doubtful": list(done.doubtful),
        }
        echo_json(outcome)
    else:
        for capture, source in done.filed:
            echo(f"{capture}  from {source}")
        for line in done.missing:
            echo(f"missing: {line}")
        for line in done.doubtful:
            echo(f"doubtful: {line}")
        echo(f"Filed {len(done.filed)} captures. Next: upheld report {session}")
    sys.exit(3 if done.missing or done.doubtful else 0)
