"""The command line: ``upheld report``, ``publish``, ``check``, ``history`` and ``demo``.

``compare``, ``plan``, ``intake`` and ``archive`` are in `comparisons`, `plans` and
`archives`.

Each verb parses, calls one function and prints one line or a few. An error that the user can
mend is one line on standard error, and exit code 2 (the code that Click uses for a wrong
option, too); 1 is a fault of the tool itself.
"""

import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from reportlib import __version__
from reportlib.cli.archives import archive
from reportlib.cli.comparisons import check_comparison, compare
from reportlib.cli.plans import intake, plan
from reportlib.cli.shared import (
    BRING_BACK,
    CAUTION,
    JSON,
    PAPER,
    asked,
    echo,
    echo_json,
    given,
    outcome,
    say_where,
    status,
)
from reportlib.cli.shared import echo_error as _echo_error
from reportlib.cli.shared import one_line_errors as _one_line_errors
from reportlib.errors import NotebookError, ReportError
from reportlib.publish.quick_imports import without_address_grammar

if TYPE_CHECKING:
    from reportlib.publish.ready import Untied

SPEAKERS = ("marram-12", "trivet-6", "samphire-3")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="upheld")
@click.pass_context
def main(context: click.Context) -> None:
    """Tell whether a loudspeaker's output keeps up with the volume.

    Makes a report on compression from a session folder of recorded sweeps.
    """
    for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        # products of small matrices lose more to threads than they gain
        os.environ.setdefault(threads, "1")
    context.with_resource(without_address_grammar())


main.add_command(archive)
main.add_command(compare)
main.add_command(plan)
main.add_command(intake)

_SESSION = click.argument("session", type=click.Path(path_type=Path))


@main.command()
@_SESSION
@asked
@PAPER
@BRING_BACK
@click.option("--watch", is_flag=True, help="Run again whenever the session changes.")
@JSON
@_one_line_errors
def report(session: Path, *, watch: bool, **options: Any) -> None:
    """Analyse SESSION, fill its notebook, and render page, PDF, pictures and data.

    SESSION is a folder with a session.toml. Text that you edited in its report.ipynb is kept.
    An option that you give is remembered for this session's next runs.

    \b
    Example:
      upheld report demo_inputs/marram-12
    """
    if not watch:
        _report(session, **options)
        return
    from reportlib.publish.report import run_on_changes

    def run(changed: tuple[Path, ...]) -> None:
        if changed:
            echo(f"Changed: {', '.join(path.name for path in changed)}.")
            options["bring_back"] = ()  # asked for once
        try:
            _report(session, **options)
        except ReportError as error:  # mended, it changes again
            _echo_error(error)
        echo("Waiting for changes; Ctrl-C ends it.", err=True)

    run_on_changes(session, run=run)


def _report(
    session: Path, *, paper: Any, bring_back: tuple[str, ...], as_json: bool, **parameters: Any
) -> None:
    from reportlib.publish.report import make_report

    made = make_report(
        session, given=given(parameters), paper=paper, bring_back=bring_back, stage=status
    )
    if as_json:
        document = outcome(made.run, written=made.written)
        echo_json(document)
        return
    say_where(session, written=made.written)
    for line in made.run.lines():
        echo(line)


@main.command()
@_SESSION
@PAPER
@click.option("--as-it-is", is_flag=True, help="Publish though cells are to be read again or run.")
@JSON
@_one_line_errors
def publish(session: Path, *, paper: Any, as_it_is: bool, as_json: bool) -> None:
    """Render SESSION's edited notebook again, without analysing anything.

    SESSION may be a comparison's folder, too.

    \b
    Example:
      upheld publish demo_inputs/marram-12
    """
    from reportlib.publish import memory, notebook, ready
    from reportlib.publish import report as publish_report
    from reportlib.publish.kinds import kind_of
    from reportlib.publish.ready import session_untied
    from reportlib.session import files, lock

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
        written = publish_report.render_session(
            session, kind=kind, paper=paper, stage=status, saved=saved
        )
        ready.record_publication(session, kind=kind, saved=saved)
        loose = session_untied(session, kind=kind, saved=saved)
    if as_json:
        echo_json({"written": [str(path) for path in written]})
        return
    say_where(session, written=written)
    for one in loose:
        echo(one.line())


@main.command()
@_SESSION
@click.option("--restore", type=int, help="Put this version in the notebook's place.")
@JSON
@_one_line_errors
def history(session: Path, *, restore: int | None, as_json: bool) -> None:
    """List the earlier notebooks of SESSION that are kept, or put one back.

    A notebook is kept before and after every run; the last 30 are. What stands in report.ipynb
    is kept before another version takes its place. SESSION may be a comparison's folder, too.

    \b
    Example:
      upheld history demo_inputs/marram-12 --restore 3
    """
    from reportlib.publish import history as publish_history
    from reportlib.publish import memory
    from reportlib.publish.kinds import kind_of
    from reportlib.session import lock

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


def _print_codes(context: click.Context, _: click.Parameter, asked: bool) -> None:
    if asked:
        from reportlib.check.kinds import kinds_markdown

        for line in kinds_markdown().splitlines():
            echo(line)
        context.exit()


@main.command()
@_SESSION
@click.option(
    "--codes",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_codes,
    help="Print the table of all that a check can say, and end.",
)
@JSON
@_one_line_errors
def check(session: Path, *, as_json: bool) -> None:
    """Check SESSION's recordings, and list the numbers typed into its text; nothing is written.

    Recordings are checked for what goes wrong on a measuring day; numbers that somebody typed into
    the notebook by hand are listed with the quotes that would tie them to the data. Exit code 0
    where nothing is worse than a note, 3 where there are warnings or captures that had to be left
    out, 2 where the session cannot be analysed at all. SESSION may be a
    comparison's folder, too: then every session of it is checked.

    \b
    Example:
      upheld check demo_inputs/marram-12
    """
    from reportlib.check import kinds
    from reportlib.judge.analysis import check_session
    from reportlib.publish.kinds import COMPARISON, REPORT, kind_of
    from reportlib.session.parameters import checked_parameters
    from reportlib.session.reading import read_session

    if kind_of(session) is COMPARISON:
        sys.exit(check_comparison(session, as_json=as_json))
    with status("measuring and comparing"):
        notes = check_session(
            read_session(session), parameters=checked_parameters(session=str(session))
        )
    loose: tuple[Untied, ...] = ()
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


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--speaker",
    type=click.Choice(SPEAKERS),
    multiple=True,
    help="Which of the invented loudspeakers; all three by default.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the noise.")
@click.option(
    "--stage",
    "stages_s",
    type=click.FloatRange(1.0, 3600.0),
    multiple=True,
    help="Seconds of one long-term stage; give it once a stage.  [default: 30, 90]",
)
@click.option(
    "--takes",
    type=click.IntRange(1, 5),
    default=2,
    show_default=True,
    help="Takes of each short-term level.",
)
@click.option(
    "--record-stress",
    "recorded_db",
    type=float,
    multiple=True,
    help="Long-term level at which the stress itself is recorded.  [default: 82 and 92]",
)
@_one_line_errors
def demo(
    folder: Path,
    *,
    speaker: tuple[str, ...],
    seed: int,
    stages_s: tuple[float, ...],
    takes: int,
    recorded_db: tuple[float, ...],
) -> None:
    """Make simulated measuring days of invented loudspeakers in FOLDER.

    \b
    Example:
      upheld demo my-demo --speaker trivet-6
    """
    from reportlib.simulate.demo import make_demo

    for name in speaker or SPEAKERS:
        with status(f"simulating {name}"):
            made = make_demo(
                folder / name,
                speaker=name,
                seed=seed,
                stages_s=stages_s or (30.0, 90.0),
                takes=takes,
                record_stress=recorded_db or True,
            )
        echo(f"Made {made}. Next: upheld report {made}")
    echo(CAUTION)
