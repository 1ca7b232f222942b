"""Taking a heap of recordings into a planned session folder; the recordings are only read."""

from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path

from reportlib.errors import CaptureError, SessionError, one_line
from reportlib.plan.heard import (
    LIKE_IN_REFERENCE,
    LIKE_IN_SOUND,
    Heard,
    expected,
    find_stresses,
    find_sweeps,
    piece_powers,
    quietest,
)
from reportlib.plan.intake import Intake, outcome
from reportlib.session import files, lock
from reportlib.session.audio import Opened, cut_out, opened_recording
from reportlib.session.captures import read_period, read_stimulus
from reportlib.session.day import NoiseFacts, Session
from reportlib.session.reading import read_planned_session
from reportlib.session.toml_text import session_text

PLANNED = "plan.toml"
"""The session as it was planned, kept beside ``session.toml`` before that is filled in."""
SESSIONS = ".upheld/sessions"
"""Where ``session.toml`` is kept before it is written anew."""
_AUDIO = (".wav", ".flac")
_MARGIN_S = 1.0
_SAME_TIME_S = 2.0

Progress = Callable[[str], None]
"""Called with each recording before it is listened to."""


@dataclass(frozen=True, kw_only=True)
class TakenIn:
    """What an intake did: what is filed, by capture and recording; what is missing or doubtful."""

    filed: tuple[tuple[str, str], ...]
    missing: tuple[str, ...]
    doubtful: tuple[str, ...]


def take_in(
    folder: Path, recordings: Sequence[Path], *, progress: Progress | None = None
) -> TakenIn:
    """File the sweeps and stresses of some recordings as captures of a planned session.

    ``session.toml`` is filled in; the planned one is kept as ``plan.toml``. Nothing is written
    before everything was found and cut.

    Parameters
    ----------
    recordings : WAV or FLAC files, or folders of them

    Raises
    ------
    SessionError
        The session is not a planned one, or has captures already.
    CaptureError
        A recording cannot be used, or there is no baseline among them.
    """
    session = _planned_session(folder)
    _refuse_elsewhere(folder, session=session)
    _refuse_filled(folder)
    paths, in_order = _by_time(_audio_files(recordings))
    if not paths:
        raise CaptureError("there is no recording: name WAV or FLAC files, or a folder of them.")
    with ExitStack() as stack:
        opened = [stack.enter_context(opened_recording(path)) for path in paths]
        paths, opened, left_out = _usable(paths, opened, session=session)
        heap = _listened(session, paths=paths, opened=opened, in_order=in_order, progress=progress)
        found = outcome(session, heap=heap)
        quiet = _quiet(session, opened, heap=heap)
    session, calibrator, lost = _with_rest(found.session, paths, folder=folder, quiet=quiet)
    missing = (*found.missing, *lost)
    text = session_text(session, heading=_heading(session))
    with lock.fresh_folder(folder / "captures", inside=folder) as made:
        spans = {capture: _span(one, heap=heap, opened=opened) for capture, one in found.cuts}
        sources = {capture: paths[one.recording] for capture, one in found.cuts}
        if quiet is not None:
            capture = session.noise_captures[0]
            sources[capture], spans[capture] = paths[quiet[0]], (quiet[1], quiet[2])
        for capture, (first, samples) in spans.items():
            place = made.parent / capture
            cut_out(sources[capture], place, first=first, samples=samples)
        # The captures come last, at once: where this is killed before, it is begun anew.
        facts = folder / "session.toml"
        before = files.read_bytes(facts, inside=folder)
        if not (folder / PLANNED).exists():
            files.write_bytes_safely(folder / PLANNED, before, inside=folder)
        if calibrator is not None:
            place = folder / str(session.calibration and session.calibration.recording)
            files.write_bytes_safely(place, calibrator.read_bytes(), inside=folder)
        if before != text.encode():
            files.keep_copy(facts, folder / SESSIONS, inside=folder)
            files.write_text_safely(facts, text, inside=folder)
    return TakenIn(
        filed=tuple((capture, sources[capture].name) for capture in spans),
        missing=missing,
        doubtful=(*left_out, *found.doubtful),
    )


def _planned_session(folder: Path) -> Session:
    """Read the session as it was planned, also where it was filled in before."""
    if not (folder / PLANNED).exists():
        return read_planned_session(folder)
    return read_planned_session(folder, name=PLANNED)


def _refuse_elsewhere(folder: Path, *, session: Session) -> None:
    """Captures are put into their folder as a whole, so that all must be in it."""
    for slot in expected(session):
        if slot.capture.rpartition("/")[0] != "captures":
            raise SessionError(
                one_line(
                    f"{folder / 'session.toml'}: {slot.capture} is not in captures/. Let the "
                    "captures be named as upheld plan does, such as captures/short-72-a.wav."
                )
            )


def _refuse_filled(folder: Path) -> None:
    captures = folder / "captures"
    if captures.is_symlink() or (captures.is_dir() and any(captures.iterdir())):
        raise SessionError(
            one_line(
                f"{captures}: holds captures already, and nothing is written over. Move them away, "
                "and take in again."
            )
        )


def _audio_files(recordings: Sequence[Path]) -> list[Path]:
    found: list[Path] = []
    for path in recordings:
        if path.is_dir():
            found += sorted(
                one
                for one in path.iterdir()
                if one.suffix.lower() in _AUDIO and not one.name.startswith(".")
            )
        elif path.suffix.lower() in _AUDIO:
            found.append(path)
        else:
            raise CaptureError(
                one_line(f"{path}: neither WAV nor FLAC nor a folder. Export it as WAV.")
            )
    return list(dict.fromkeys(found))


def _by_time(paths: Sequence[Path]) -> tuple[list[Path], bool]:
    """Order recordings by when they were closed, where their times tell it, else by name."""
    try:
        times = {path: path.stat().st_mtime for path in paths}
    except OSError as error:
        reason = error.strerror or error
        raise CaptureError(one_line(f"{error.filename}: cannot be read ({reason}).")) from error
    ordered = sorted(times.values())
    apart = all(later - earlier > _SAME_TIME_S for earlier, later in pairwise(ordered))
    if apart:
        return sorted(paths, key=lambda path: times[path]), True
    return sorted(paths, key=lambda path: path.name), False


def _usable(
    paths: Sequence[Path], opened: Sequence[Opened], *, session: Session
) -> tuple[list[Path], list[Opened], list[str]]:
    """Leave out recordings of another rate than most, and those without the channels needed."""
    rates = Counter(one.sample_rate_hz for one in opened)
    rate = max(rates, key=lambda hz: (rates[hz], hz))
    needed = max(session.channels.microphone, session.channels.reference or 0)
    keep, left_out = [], []
    for path, one in zip(paths, opened, strict=True):
        if path.stem == "calibrator":
            continue
        if one.sample_rate_hz != rate:
            left_out.append(
                f"{path.name} has {one.sample_rate_hz} samples a second where the others have "
                f"{rate}; it is left out."
            )
        elif one.channels < needed and one.samples:
            left_out.append(
                f"{path.name} has {one.channels} channels where {needed} are needed; it is left "
                "out."
            )
        else:
            keep.append((path, one))
    return [path for path, _ in keep], [one for _, one in keep], left_out


def _listened(
    session: Session,
    *,
    paths: Sequence[Path],
    opened: Sequence[Opened],
    in_order: bool,
    progress: Progress | None,
) -> Intake:
    """Look for sweeps and stresses, in the reference channel where there is one."""
    if session.sweep is None or session.sweep.stimulus is None:
        raise SessionError(
            one_line(f"{session.folder}/session.toml: [sweep] names no stimulus to look for.")
        )
    if not opened:
        return Intake(names=(), heard=(), sample_rate_hz=1, in_order=in_order)
    rate = opened[0].sample_rate_hz
    sweep = read_stimulus(session, session.sweep.stimulus, sample_rate_hz=rate)
    period = None
    if session.multitone is not None and session.long_term:
        period = read_period(session, session.multitone.stimulus, sample_rate_hz=rate)
    referenced = session.reference_counts
    channel = session.channels.reference if referenced else session.channels.microphone
    heard: list[Heard] = []
    for number, (path, one) in enumerate(zip(paths, opened, strict=True)):
        if progress is not None:
            progress(path.name)
        listen = partial(one.listen, channel=channel or 1)
        sweeps = find_sweeps(
            listen,
            samples=one.samples,
            sweep=sweep,
            recording=number,
            like=LIKE_IN_REFERENCE if referenced else LIKE_IN_SOUND,
        )
        stresses: tuple[Heard, ...] = ()
        if period is not None:
            stresses = find_stresses(
                listen, samples=one.samples, period=period, sample_rate_hz=rate, recording=number
            )
        inside = [
            found
            for found in sweeps
            if not any(found.start < other.end and other.start < found.end for other in stresses)
        ]
        heard += sorted((*inside, *stresses), key=lambda found: found.start)
    return Intake(
        names=tuple(path.stem for path in paths),
        heard=tuple(heard),
        sample_rate_hz=rate,
        in_order=in_order,
    )


def _quiet(
    session: Session, opened: Sequence[Opened], *, heap: Intake
) -> tuple[int, int, int] | None:
    rate = heap.sample_rate_hz
    powers = [
        piece_powers(
            partial(one.listen, channel=session.channels.microphone),
            samples=one.samples,
            sample_rate_hz=rate,
        )
        for one in opened
    ]
    return quietest(powers, heard=heap.heard, sample_rate_hz=rate)


def _with_rest(
    session: Session,
    paths: Sequence[Path],
    *,
    folder: Path,
    quiet: tuple[int, int, int] | None,
) -> tuple[Session, Path | None, list[str]]:
    """Put in the silence and the calibrator, or say that they are missing."""
    lost = []
    if quiet is None:
        lost.append("a stretch of silence was not found; noise is read before each sweep alone.")
        session = replace(session, noise=None)
    elif not session.noise_captures:
        session = replace(session, noise=NoiseFacts(captures=("captures/silence.wav",)))
    else:
        session = replace(session, noise=NoiseFacts(captures=session.noise_captures[:1]))
    calibration = session.calibration
    calibrator = None
    if calibration is not None and calibration.recording is not None:
        beside = [path.with_name("calibrator.wav") for path in paths]
        calibrator = next((path for path in beside if path.is_file()), None)
        there = (folder / calibration.recording).is_file()
        calibrator = None if there else calibrator
        if not there and calibrator is None:
            lost.append(
                f"{calibration.recording} was not found; levels count as asked for until it is "
                "there and named in [calibration]."
            )
            session = replace(session, calibration=None)
    return session, calibrator, lost


def _span(one: Heard, *, heap: Intake, opened: Sequence[Opened]) -> tuple[int, int]:
    """First sample and length of a piece: the sound with a second around it, where there is one.

    Where something else was played nearer, half of the pause between.
    """
    margin = round(_MARGIN_S * heap.sample_rate_hz)
    others = [other for other in heap.heard if other.recording == one.recording and other != one]
    before = [(one.start - other.end) // 2 for other in others if other.end <= one.start]
    after = [(other.start - one.end) // 2 for other in others if other.start >= one.end]
    first = max(one.start - min([margin, *before]), 0)
    last = min(one.end + min([margin, *after]), opened[one.recording].samples)
    return first, last - first


def _heading(session: Session) -> str:
    return (
        f"{session.speaker.name}: a measuring day as it was taken in from its recordings.\n"
        f"What was planned stands in {PLANNED}. Paths are relative to this folder; levels in\n"
        "dB SPL, drives in dB over the baseline sweep, times in seconds."
    )
