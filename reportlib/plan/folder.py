"""A plan on disk: a session folder, complete but for the takes, with its sheet to print.

Made beside its place and then renamed, so that it is whole or absent.

A recording with nothing played is read before there is a session to read it by.
"""

import datetime
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import FileSystemLoader, StrictUndefined
from jinja2.sandbox import SandboxedEnvironment

from reportlib import __version__
from reportlib.errors import PlanError, RenderError, one_line
from reportlib.plan.levels import room_noise
from reportlib.plan.page import Grid, PlanPage, plan_page
from reportlib.plan.records import Plan, RoomNoise
from reportlib.plan.stimuli import day_files, file_blocks, make_waves
from reportlib.publish.typeset import Source, set_typst, typst_string
from reportlib.session import files, lock
from reportlib.session.audio import (
    MOST_FRAMES,
    check_stimulus,
    file_fault,
    opened_audio,
    raw_blocks,
    write_stimulus,
)
from reportlib.session.parameters import Paper
from reportlib.session.reading import read_planned_session
from reportlib.session.toml_text import session_text

DEPARTURES = "Where this plan leaves the rules"
LONGEST_WHOLE = 20
"""A ladder of more rows than this may go over to the next page."""
STOP_LINE = "Smell, smoke, rasp or sudden silence: stop at once"

Progress = Callable[[str], None]
"""Called with the path of each file before it is made."""


def refuse_used(folder: Path) -> None:
    """Say so where `folder` can't be a new session's: a file, or not empty.

    Raises
    ------
    PlanError
        It is in use.
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise PlanError(one_line(f"{folder}: is a file or a link. Give the name of a new folder."))
    if folder.is_dir() and any(folder.iterdir()):
        raise PlanError(
            one_line(f"{folder}: is not empty, and nothing is written over. Give a new folder.")
        )


def write_plan(
    plan: Plan, folder: Path, *, paper: Paper = "a4", progress: Progress | None = None
) -> Path:
    """Write a plan as a session folder, and check what was written by reading it.

    Parameters
    ----------
    folder : where to; must not exist, or be empty

    Returns
    -------
    `folder`

    Raises
    ------
    PlanError
        The folder is in use.
    ReportError
        Something could not be made or written; nothing is left behind.
    """
    refuse_used(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with lock.fresh_folder(folder, inside=folder.parent) as made:
            _write(plan, made, folder=folder, paper=paper, progress=progress)
    except OSError as error:
        raise RenderError(
            one_line(
                f"{folder}: the plan could not be written ({error.strerror or error}). Give a "
                "folder in a place where you may write and that has room."
            )
        ) from error
    return folder


def plan_markdown(page: PlanPage) -> str:
    """Return the sheet as Markdown that reads well raw."""
    environment = _environment(finalize=_as_markdown)
    text = environment.get_template("plan.md.j2").render(
        plan=page,
        departures=[DEPARTURES] if page.departures else [],
        afterwards=[(one.words, [_Code(shown) for shown in one.shown]) for one in page.afterwards],
    )
    return re.sub(r"\n{3,}", "\n\n", re.sub(r"\|\n\n(?=\|)", "|\n", text)).strip() + "\n"


def plan_pdf(page: PlanPage, *, paper: Paper = "a4") -> bytes:
    """Return the sheet set for paper.

    Raises
    ------
    RenderError
        Typst refused it.
    """
    day = datetime.date.fromisoformat(page.date)
    source = (
        _environment(finalize=_as_typst)
        .get_template("plan.typ.j2")
        .render(
            plan=page,
            title=f"Measuring day: {page.name}",
            version=__version__,
            paper=paper,
            date=Source(f"datetime(year: {day.year}, month: {day.month}, day: {day.day})"),
            departures=[DEPARTURES] if page.departures else [],
            stop_line=STOP_LINE,
            levels_breakable=Source(str(len(page.levels.rows) > LONGEST_WHOLE).lower()),
            level_sides=_sides(page.levels),
            day_sides=_sides(page.day),
            day_rows=[row[1:] for row in page.day.rows],
        )
    )
    return set_typst(source, files={}, dated=True)


def _write(
    plan: Plan, made: Path, *, folder: Path, paper: Paper, progress: Progress | None
) -> None:
    waves = make_waves(plan)
    for file in day_files(plan, waves=waves):
        if progress is not None:
            progress(file.path)
        rate = waves.sample_rate_hz
        write_stimulus(made / file.path, file_blocks(file, waves=waves), sample_rate_hz=rate)
        check_stimulus(made / file.path, file_blocks(file, waves=waves), sample_rate_hz=rate)
    heading = (
        f"{plan.request.speaker.name}: a measuring day as planned. The captures are named as they\n"
        "will be called; upheld intake puts them there and corrects what was otherwise.\n"
        "Paths are relative to this folder; levels in dB SPL, drives in dB over the baseline\n"
        "sweep, times in seconds. Sensitivity is that for 2.83 V at 1 m."
    )
    text = session_text(plan.session, heading=heading)
    (made / "session.toml").write_text(text, encoding="utf-8", newline="\n")
    read_planned_session(made)
    page = plan_page(plan, folder=str(folder))
    (made / "plan.md").write_text(plan_markdown(page), encoding="utf-8", newline="\n")
    (made / "plan.pdf").write_bytes(plan_pdf(page, paper=paper))
    for name in ("captures", "recordings", "calibration"):
        (made / name).mkdir()


class _Code(str):
    """Text that stands between backticks, in which nothing is escaped."""

    __slots__ = ()


def _environment(*, finalize: Callable[[Any], str]) -> SandboxedEnvironment:
    return SandboxedEnvironment(
        loader=FileSystemLoader(files.templates_folder() / "plan"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=finalize,
        autoescape=False,  # every value passes `finalize`
    )


def _as_markdown(value: object) -> str:
    """Escape what Markdown would read in a value; the rest is left readable."""
    if isinstance(value, _Code):
        return " ".join(value.replace("`", "'").split())
    return " ".join(re.sub(r"([\\`*_\[\]<>|~#])", r"\\\1", str(value)).split())


def _as_typst(value: object) -> str:
    return str(value) if isinstance(value, Source | int) else typst_string(str(value))


def _sides(grid: Grid) -> list[Source]:
    return [Source("right" if numeric else "left") for numeric in grid.numeric]


def heard_silence(path: Path, *, channel: int, full_scale_db: float) -> RoomNoise:
    """Return how loud a silent recording is.

    Parameters
    ----------
    channel : the microphone's, counted from 1
    full_scale_db : dB SPL (rms) of a sine that just reaches full scale

    Raises
    ------
    CaptureError, PlanError
        The file cannot be used.
    """
    with opened_audio(path) as file:
        if not 1 <= channel <= file.channels:
            raise file_fault(
                path, text=f"has {file.channels} channels, not {channel}. Give the microphone's."
            )
        if file.frames > MOST_FRAMES:
            raise file_fault(path, text="too long. Give some 10 s of silence.")
        rate = file.samplerate
        samples = np.concatenate(
            [np.array(block[:, channel - 1]) for block in raw_blocks(path, file=file)]
        )
    return room_noise(
        samples.astype(np.float64),
        sample_rate_hz=rate,
        full_scale_db=full_scale_db,
        source=str(path),
    )
