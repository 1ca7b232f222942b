"""Taking a heap of recordings into a planned session folder; the recordings are only read."""

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np

from reportlib.errors import CaptureError, SessionError, one_line
from reportlib.numbers import counted
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
from reportlib.session.audio import cut_out, opened_recording
from reportlib.session.captures import read_period, read_stimulus
from reportlib.session.day import NoiseFacts, Session
from reportlib.session.reading import read_planned_session
from reportlib.session.records import FloatArray
from reportlib.session.toml_text import session_text

PLANNED = "plan.toml"
"""The session as it was planned, kept beside ``session.toml`` before that is filled in."""
SESSIONS = ".upheld/sessions"
"""Where ``session.toml`` is kept before it is written anew."""
_AUDIO = (".wav", ".flac")
_CALIBRATOR = "calibrator.wav"
_MARGIN_S = 1.0
_SAME_TIME_S = 2.0

Progress = Callable[[str], None]
"""Called with each recording before it is listened to."""


@dataclass(frozen=True, kw_only=True)
class TakenIn:
    """What an intake did.

    Attributes
    ----------
    filed : by capture and recording
    missing, doubtful : a sentence each
    left_out : a sentence for each file of the heap of which nothing was filed
    """

    filed: tuple[tuple[str, str], ...]
    missing: tuple[str, ...]
    doubtful: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Recording:
    """A file of the heap as it was heard; `powers` are those of `heard.piece_powers`."""

    path: Path
    sample_rate_hz: int
    channels: int
    samples: int
    heard: tuple[Heard, ...] = ()
    powers: FloatArray = field(default_factory=lambda: np.zeros(0))


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
        There is no recording, or no baseline among them.
    """
    session = _planned_session(folder)
    _refuse_elsewhere(folder, session=session)
    _refuse_filled(folder)
    left_out: list[str] = []
    paths = _audio_files(recordings, left_out=left_out)
    if not paths:
        among = f" among them ({left_out[0]})" if left_out else ""
        raise CaptureError(
            one_line(f"there is no recording{among}: name WAV or FLAC files, or a folder of them.")
        )
    calibrators = [path for path in paths if path.name.lower() == _CALIBRATOR]
    usable = _usable(
        [path for path in paths if path not in calibrators], session=session, left_out=left_out
    )
    heap = _listened(session, usable=usable, left_out=left_out, progress=progress)
    found = outcome(session, heaps=_in_orders(heap))
    rate = heap[0].sample_rate_hz if heap else 1
    heard = [sound for one in heap for sound in one.heard]
    quiet = quietest([one.powers for one in heap], heard=heard, sample_rate_hz=rate)
    session, calibrator, lost = _with_rest(
        found.session,
        [*calibrators, *(path.with_name(_CALIBRATOR) for path in paths)],
        folder=folder,
        quiet=quiet,
    )
    missing = (*found.missing, *lost)
    text = session_text(session, heading=_heading(session))
    with lock.fresh_folder(folder / "captures", inside=folder) as made:
        spans = {capture: _span(one, of=heap[one.recording]) for capture, one in found.cuts}
        sources = {capture: heap[one.recording].path for capture, one in found.cuts}
        if quiet is not None:
            capture = session.noise_captures[0]
            sources[capture], spans[capture] = heap[quiet[0]].path, (quiet[1], quiet[2])
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
    filed = [(capture, path.name) for capture, path in sources.items()]
    if calibrator is not None and session.calibration is not None:
        filed.append((str(session.calibration.recording), calibrator.name))
    for one in heap:
        if one.path not in sources.values():
            what = (
                "none of what is heard in it was filed" if one.heard else "nothing played is heard"
            )
            left_out.append(f"{one.path.name}: {what}.")
    left_out += [
        f"{path.name}: none was planned, or there is one already."
        for path in calibrators
        if path != calibrator
    ]
    return TakenIn(
        filed=tuple(filed),
        missing=missing,
        doubtful=found.doubtful,
        left_out=tuple(one_line(line) for line in left_out),
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


def _audio_files(recordings: Sequence[Path], *, left_out: list[str]) -> list[Path]:
    """Return the recordings, each content once, in the order of names; say what is none."""
    found: dict[str, Path] = {}
    paths = _files(recordings, left_out=left_out)
    for path in sorted(paths, key=lambda path: (len(path.name), path.name)):  # no "… (1)" first
        if path.name.startswith("."):
            left_out.append(f"{path.name}: hidden.")
        elif path.is_dir():
            left_out.append(f"{path.name}: a folder within; name it, too, to have it looked into.")
        elif not path.is_file():  # a pipe would hold the run up
            left_out.append(f"{path.name}: not an ordinary file.")
        elif path.suffix.lower() not in _AUDIO:
            left_out.append(f"{path.name}: neither WAV nor FLAC.")
        else:
            try:
                with path.open("rb") as file:
                    content = hashlib.file_digest(file, "sha256").hexdigest()
            except OSError as error:
                left_out.append(f"{path.name}: cannot be read ({error.strerror or error}).")
                continue
            if found.setdefault(content, path) != path:
                left_out.append(f"{path.name}: the same as {found[content].name}.")
    return sorted(found.values(), key=_by_number)


def _files(recordings: Sequence[Path], *, left_out: list[str]) -> set[Path]:
    files: set[Path] = set()
    for path in recordings:
        if not path.exists():
            raise CaptureError(one_line(f"{path}: there is no such file or folder."))
        try:
            files |= set(path.iterdir()) if path.is_dir() else {path}
        except OSError as error:
            left_out.append(f"{path.name}: cannot be read ({error.strerror or error}).")
    return files


def _by_number(path: Path) -> list[tuple[int, str]]:
    """Order names as people do: take 10 after take 9."""
    parts = re.split(r"([0-9]+)", path.name.lower())
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts]


def _usable(paths: Sequence[Path], *, session: Session, left_out: list[str]) -> list[_Recording]:
    """Leave out what can't be read, is of another rate than most, or lacks channels."""
    opened: list[_Recording] = []
    for path in paths:
        try:
            with opened_recording(path) as one:
                opened.append(
                    _Recording(
                        path=path,
                        sample_rate_hz=one.sample_rate_hz,
                        channels=one.channels,
                        samples=one.samples,
                    )
                )
        except CaptureError as error:
            left_out.append(str(error))
    rates = Counter(each.sample_rate_hz for each in opened)
    rate = max(rates, key=lambda hz: (rates[hz], hz), default=1)
    needed = max(session.channels.microphone, session.channels.reference or 0)
    for each in opened:
        if each.sample_rate_hz != rate:
            left_out.append(
                f"{each.path.name}: {each.sample_rate_hz} samples a second, where the others have "
                f"{rate}."
            )
        elif each.channels < needed:
            left_out.append(
                f"{each.path.name}: {counted(each.channels, 'channel')} where {needed} are needed."
            )
    return [each for each in opened if each.sample_rate_hz == rate and each.channels >= needed]


def _listened(
    session: Session,
    *,
    usable: Sequence[_Recording],
    left_out: list[str],
    progress: Progress | None,
) -> list[_Recording]:
    """Look for sweeps and stresses, in the reference channel where there is one."""
    if session.sweep is None or session.sweep.stimulus is None:
        raise SessionError(
            one_line(f"{session.folder}/session.toml: [sweep] names no stimulus to look for.")
        )
    if not usable:
        return []
    rate = usable[0].sample_rate_hz
    sweep = read_stimulus(session, session.sweep.stimulus, sample_rate_hz=rate)
    period = None
    if session.multitone is not None and session.long_term:
        period = read_period(session, session.multitone.stimulus, sample_rate_hz=rate)
    referenced = session.reference_counts
    channel = session.channels.reference if referenced else session.channels.microphone
    heap: list[_Recording] = []
    for recording in usable:
        if progress is not None:
            progress(recording.path.name)
        try:
            with opened_recording(recording.path) as one:
                listen = partial(one.listen, channel=channel or 1)
                sweeps = find_sweeps(
                    listen,
                    samples=one.samples,
                    sweep=sweep,
                    recording=len(heap),
                    like=LIKE_IN_REFERENCE if referenced else LIKE_IN_SOUND,
                )
                stresses: tuple[Heard, ...] = ()
                if period is not None:
                    stresses = find_stresses(
                        listen,
                        samples=one.samples,
                        period=period,
                        sample_rate_hz=rate,
                        recording=len(heap),
                    )
                powers = piece_powers(
                    partial(one.listen, channel=session.channels.microphone),
                    samples=one.samples,
                    sample_rate_hz=rate,
                )
        except CaptureError as error:
            left_out.append(str(error))
            continue
        inside = [
            found
            for found in sweeps
            if not any(found.start < other.end and other.start < found.end for other in stresses)
        ]
        heard = tuple(sorted((*inside, *stresses), key=lambda found: found.start))
        heap.append(replace(recording, heard=heard, powers=powers))
    return heap


def _in_orders(heap: Sequence[_Recording]) -> list[Intake]:
    """Order recordings by when they were closed, and by name; what tells more comes first.

    Of files in which nothing is heard neither counts.
    """
    names = tuple(one.path.stem for one in heap)
    rate = heap[0].sample_rate_hz if heap else 1
    times = [one.path.stat().st_mtime for one in heap]
    sounding = sorted(times[number] for number, one in enumerate(heap) if one.heard)
    apart = all(later - earlier > _SAME_TIME_S for earlier, later in pairwise(sounding))

    def ordered(numbers: Sequence[int], *, in_order: bool) -> Intake:
        heard = tuple(sound for number in numbers for sound in heap[number].heard)
        return Intake(names=names, heard=heard, sample_rate_hz=rate, in_order=in_order)

    by_name = ordered(range(len(heap)), in_order=len(sounding) < 2)
    by_time = ordered(sorted(range(len(heap)), key=lambda number: times[number]), in_order=apart)
    return [by_time, by_name] if apart else [by_name, by_time]


def _with_rest(
    session: Session,
    calibrators: Sequence[Path],
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
        calibrator = next((path for path in calibrators if path.is_file()), None)
        there = (folder / calibration.recording).is_file()
        calibrator = None if there else calibrator
        if not there and calibrator is None:
            lost.append(
                f"{calibration.recording} was not found; levels count as asked for until it is "
                "there and named in [calibration]."
            )
            session = replace(session, calibration=None)
    return session, calibrator, lost


def _span(one: Heard, *, of: _Recording) -> tuple[int, int]:
    """First sample and length of a piece: the sound with a second around it, where there is one.

    Where something else was played nearer, half of the pause between.
    """
    margin = round(_MARGIN_S * of.sample_rate_hz)
    others = [other for other in of.heard if other != one]
    before = [(one.start - other.end) // 2 for other in others if other.end <= one.start]
    after = [(other.start - one.end) // 2 for other in others if other.start >= one.end]
    first = max(one.start - min([margin, *before]), 0)
    last = min(one.end + min([margin, *after]), of.samples)
    return first, last - first


def _heading(session: Session) -> str:
    return (
        f"{session.speaker.name}: a measuring day as it was taken in from its recordings.\n"
        f"What was planned stands in {PLANNED}. Paths are relative to this folder; levels in\n"
        "dB SPL, drives in dB over the baseline sweep, times in seconds."
    )
