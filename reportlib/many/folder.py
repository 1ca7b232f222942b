"""The folder that a comparison lives in, which sessions it compares, and its whole way to pages."""

import ast
import contextlib
import json
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportlib.errors import BusyError, NotebookError, SessionError, one_line
from reportlib.publish import memory, results
from reportlib.publish.kinds import COMPARISON, kind_of
from reportlib.publish.report import Made, Stage, from_folder, quietly, run_and_render
from reportlib.session import files
from reportlib.session.parameters import FEWEST_COMPARED, MOST_COMPARED

if TYPE_CHECKING:
    from reportlib.session.parameters import Paper
    from reportlib.session.records import QualityNote

DEFAULT = "comparison"
"""Name of the folder where nobody names one."""
_LEFT_BEHIND = frozenset((memory.FOLDER, ".ipynb_checkpoints"))
"""What a comparison that never came to an end may have left in its folder."""


def chosen_sessions(sessions: Sequence[Path], *, into: Path | None) -> tuple[Path, ...]:
    """Return what is to be compared: the sessions named, else those that the folder remembers.

    Raises
    ------
    SessionError
        Fewer than two sessions, more than eight, or one of them twice; or none is remembered.
    """
    folder = Path(DEFAULT) if into is None else into
    chosen = tuple(sessions) or remembered_sessions(folder)
    if not chosen:
        raise SessionError(
            one_line(
                f"{folder}: no comparison was made there yet. Name the sessions: "
                "upheld compare SESSION SESSION"
            )
        )
    _require_several(chosen)
    return chosen


def chosen_folder(chosen: Sequence[Path], *, into: Path | None, remembered: bool = False) -> Path:
    """Return where the comparison of these sessions is to live.

    Parameters
    ----------
    into : as named; None for the folder ``comparison`` beside the sessions
    remembered : whether the sessions are those that this folder remembers

    Raises
    ------
    NotebookError
        The folder is a session, or holds files of somebody else or, though nobody named it, a
        comparison of others.
    """
    if remembered:
        folder = Path(DEFAULT) if into is None else into
    else:
        folder = _beside(chosen) if into is None else into
    _require_own(folder)
    if into is None and not remembered:
        _require_the_same(folder, sessions=chosen)
    return folder


def remembered_sessions(folder: Path) -> tuple[Path, ...]:
    """Return the sessions that the comparison in `folder` was last made of, empty where lost."""
    named = results.last_parameters(folder).get("sessions") or _from_notebook(folder)
    if not isinstance(named, list) or not all(isinstance(one, str) for one in named):
        return ()
    return tuple(_plain(folder / one) for one in named)


def _plain(path: Path) -> Path:
    """Return a path without its detours, where that leads to the same place: links may not."""
    plain = Path(os.path.normpath(path))
    return plain if _itself(plain) == _itself(path) else _itself(path)


def as_seen_from(folder: Path, *, sessions: Sequence[Path]) -> list[str]:
    """Return the sessions' paths as the notebook in `folder` has them: relative where that is
    possible without leaving all that they have in common.
    """
    return [files.relative(session.resolve(), start=folder.resolve()) for session in sessions]


def _beside(sessions: Sequence[Path]) -> Path:
    """Return the folder ``comparison`` in what the sessions' folders have in common."""
    common = files.common_folder([session.resolve().parent for session in sessions])
    if common is None or common == Path(common.anchor):
        raise NotebookError(
            "the sessions have no folder in common to put the comparison into. Name one: "
            "--into FOLDER"
        )
    here = Path.cwd()
    place = common / DEFAULT
    return place.relative_to(here) if place.is_relative_to(here) else place


def _require_several(sessions: Sequence[Path]) -> None:
    if not FEWEST_COMPARED <= len(sessions) <= MOST_COMPARED:
        raise SessionError(
            f"a comparison takes {FEWEST_COMPARED} to {MOST_COMPARED} sessions, but "
            f"{len(sessions)} {'was' if len(sessions) == 1 else 'were'} named."
        )
    seen: dict[Path, Path] = {}
    for session in sessions:
        first = seen.setdefault(_itself(session), session)
        if first is not session:
            same = "twice" if first == session else f"twice, as {first} too"
            raise SessionError(one_line(f"{session}: is named {same}. Name each session once."))


def _itself(session: Path) -> Path:
    try:
        return session.resolve()
    except (OSError, RuntimeError):  # links that lead in a circle: reading it will say so
        return session.absolute()


def _require_own(folder: Path) -> None:
    """See to it that a comparison may live in `folder`: nobody else's files are there.

    Inside another session or comparison the next run there would throw it away.
    """
    if folder.exists() and not folder.is_dir():
        raise NotebookError(one_line(f"{folder}: is a file. Name a folder with --into."))
    mine = _itself(folder)
    holders = [one for one in (mine, *mine.parents) if (one / "session.toml").exists()]
    holders += [one for one in mine.parents if kind_of(one) is COMPARISON]
    if holders:
        kind = "session's" if (holders[0] / "session.toml").exists() else "comparison's"
        where = (
            "is a session" if holders[0] == mine else f"lies in a {kind} folder ({holders[0].name})"
        )
        raise NotebookError(
            one_line(
                f"{folder}: {where}. A comparison has a folder of its own: name another with "
                "--into."
            )
        )
    if not folder.exists():
        if not folder.absolute().parent.is_dir():
            raise NotebookError(
                one_line(f"{folder}: there is no folder {folder.parent} to make it in.")
            )
        return
    try:
        foreign = sorted({path.name for path in folder.iterdir()} - _LEFT_BEHIND)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NotebookError(one_line(f"{folder}: can't be read ({reason}).")) from error
    if foreign and kind_of(folder) is not COMPARISON:
        raise NotebookError(
            one_line(
                f"{folder}: holds other files ({foreign[0]}), and no comparison. Name an empty "
                "or a new folder with --into."
            )
        )


def _require_the_same(folder: Path, *, sessions: Sequence[Path]) -> None:
    """See to it that nobody's comparison of others is overwritten unasked."""
    before = {_itself(one) for one in remembered_sessions(folder)}
    if before and before != {_itself(one) for one in sessions}:
        named = ", ".join(sorted(one.name for one in before))
        raise NotebookError(
            one_line(
                f"{folder}: compares other sessions ({named}). Name another folder with --into, "
                f"or, to change what it compares, this one: --into {folder}"
            )
        )


def _from_notebook(folder: Path) -> object:
    """Return what the notebook's parameter cells say, the injected one last; None without."""
    found = None
    try:
        notebook = json.loads(files.read_bytes(folder / COMPARISON.notebook, inside=folder))
        for cell in notebook["cells"]:
            if {"parameters", "injected-parameters"} & set(cell["metadata"].get("tags", ())):
                found = _assigned("".join(cell["source"])) or found
    except (OSError, ValueError, KeyError, TypeError, AttributeError, SyntaxError):
        return None
    return found


def _assigned(source: str) -> object:
    for node in ast.parse(source).body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        if any(isinstance(one, ast.Name) and one.id == "sessions" for one in targets):
            value = getattr(node, "value", None)
            return None if value is None else ast.literal_eval(value)
    return None


@dataclass(frozen=True, kw_only=True)
class Compared:
    """A comparison that was made: of what, in which folder, and what the run did."""

    sessions: tuple[Path, ...]
    folder: Path
    made: Made


def make_comparison(
    sessions: Sequence[Path],
    *,
    into: Path | None,
    given: Mapping[str, Any],
    paper: "Paper | None" = None,
    bring_back: Collection[str] = (),
    stage: Stage = quietly,
) -> Compared:
    """Analyse each session, compare them, run the notebook and render it.

    Parameters
    ----------
    sessions : two to eight folders in the order to be shown; empty for those remembered
    into : the comparison's folder; None for ``comparison`` beside the sessions
    given : parameters by name that differ from what is remembered of the last run
    paper : what the PDF is set for; None: as remembered
    bring_back : names of cells that the reviewer deleted and wants again

    Raises
    ------
    BusyError
        Another run is at work in the comparison's folder.
    ReportError
        What a session, the folder or the notebook is short of; nothing was written.
    """
    from reportlib.many.comparison import read_compared
    from reportlib.session.parameters import (
        ComparisonParameters,
        checked_comparison,
        known_parameters,
        merged_parameters,
    )

    chosen = chosen_sessions(sessions, into=into)
    for session in chosen:  # before a kernel starts: most mistakes are here
        read_compared(session)
    folder = chosen_folder(chosen, into=into, remembered=not sessions)
    with _folder_made(folder):
        from reportlib.publish import kernels

        with kernels.started(folder) as kernel:
            remembered = known_parameters(
                results.last_parameters(folder), model=ComparisonParameters
            )
            parameters = checked_comparison(
                **{
                    **merged_parameters(remembered, from_folder(given, folder=folder)),
                    "sessions": as_seen_from(folder, sessions=chosen),
                }
            )
            made = run_and_render(
                folder,
                parameters=parameters,
                kind=COMPARISON,
                kernel=kernel,
                paper=paper,
                bring_back=bring_back,
                count=len(chosen),
                stage=stage,
            )
    return Compared(sessions=chosen, folder=folder, made=made)


def check_compared(folder: Path) -> "dict[str, tuple[QualityNote, ...]]":
    """Check the recordings of every session of a comparison; nothing is written.

    Returns
    -------
    dict
        The quality notes by session, the worst first.

    Raises
    ------
    ReportError
        As `make_comparison`.
    """
    from reportlib.judge.analysis import check_session
    from reportlib.many.comparison import read_compared
    from reportlib.session.parameters import checked_parameters

    sessions = remembered_sessions(folder)
    if not sessions:
        raise SessionError(
            one_line(f"{folder}: it isn't known what is compared there. Compare again first.")
        )
    return {
        str(session): check_session(
            read_compared(session), parameters=checked_parameters(session=str(session))
        )
        for session in sessions
    }


@contextlib.contextmanager
def _folder_made(folder: Path) -> Iterator[None]:
    """Make the comparison's folder; where nothing comes of it, it is gone again."""
    fresh = not folder.exists()
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NotebookError(one_line(f"{folder}: could not be made ({reason}).")) from error
    try:
        yield
    except BusyError:
        fresh = False  # another run lives there now
        raise
    finally:
        if fresh:
            memory = folder / ".upheld"
            if {path.name for path in folder.rglob("*")} == {".upheld", "lock"}:
                (memory / "lock").unlink(missing_ok=True)
            with contextlib.suppress(OSError):  # either holds something, as it should
                memory.rmdir()
            with contextlib.suppress(OSError):
                folder.rmdir()
