"""Demo sessions: a simulated measuring day, written as a session folder.

The lending library's three loudspeakers (``demo_speakers``) play through the day in order:
silence, short-term levels with their takes, two long-term levels with stress in stages, the
baseline once more. Coils warm and cool from one capture to the next. The same seed gives the
same bytes.
"""

from collections.abc import Callable, Collection, Sequence
from pathlib import Path

import numpy as np
import soundfile

from reportlib import folders
from reportlib.day import (
    Calibration,
    Channels,
    MultitoneFacts,
    NoiseFacts,
    Rig,
    Session,
    Speaker,
    SweepFacts,
)
from reportlib.demo.day import LEVELS_DB, LONG_TERM_LEVELS_DB, TAKES, DemoDay
from reportlib.demo.speakers import SPEAKERS, DemoSpeaker
from reportlib.errors import ReportError
from reportlib.model import FloatArray
from reportlib.session_text import session_text
from reportlib.simulate import Chain, Recording, multitone_signal, sweep_signal

SAMPLE_RATE_HZ = 48000
STIMULUS_PEAK = 0.5
SWEEP = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=4.0, stimulus="stimulus/sweep.flac")
MULTITONE = "stimulus/multitone.flac"
MICROPHONE = "calibration/mic.txt"

Progress = Callable[[int, int, str], None]
"""Called with captures done, captures in all, and the path just written."""


def make_demo(
    folder: Path,
    *,
    speaker: str,
    seed: int = 1,
    stages_s: Sequence[float] = (30.0, 90.0),
    takes: int = 2,
    record_stress: bool | Collection[float] = True,
    progress: Progress | None = None,
) -> Path:
    """Write a complete session folder of one of the demo's loudspeakers.

    The folder is made beside its place and then renamed, so that it is whole or absent.

    Parameters
    ----------
    folder : where to; must not exist, or be empty
    speaker : a key of ``demo_speakers.SPEAKERS``
    seed : of noise and takes
    stages_s : how long each stage of stress lasts, whole seconds
    takes : captures of each level, 1 to 26
    record_stress : whether the stress itself is recorded (most of the folder's size), or at which
        levels
    progress : called after each capture

    Returns
    -------
    `folder`

    Raises
    ------
    ReportError
        No such loudspeaker; impossible stages, takes or levels; the folder is in use.
    """
    if isinstance(record_stress, bool):
        record_stress = LONG_TERM_LEVELS_DB if record_stress else ()
    _refuse(folder, speaker=speaker, stages_s=stages_s, takes=takes, recorded_db=record_stress)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with folders.fresh_folder(folder, inside=folder.parent) as made:
            _write_session(
                made,
                speaker=speaker,
                seed=seed,
                stages_s=stages_s,
                takes=takes,
                recorded_db=record_stress,
                progress=progress,
            )
    except OSError as error:
        raise ReportError(
            f"{folder}: the demo could not be written ({error.strerror or error}). "
            "Give a folder in a place where you may write and that has room."
        ) from error
    return folder


def _refuse(
    folder: Path,
    *,
    speaker: str,
    stages_s: Sequence[float],
    takes: int,
    recorded_db: Collection[float],
) -> None:
    if speaker not in SPEAKERS:
        raise ReportError(
            f"there is no demo loudspeaker {speaker!r}. Choose one of: {', '.join(SPEAKERS)}."
        )
    if not stages_s or any(stage < 1 or stage != round(stage) for stage in stages_s):
        raise ReportError(
            f"stages of {', '.join(f'{stage:g}' for stage in stages_s) or 'no'} s: the multitone "
            "repeats every second. Give each stage in whole seconds, 1 or more."
        )
    if not 1 <= takes <= len(TAKES):
        raise ReportError(f"{takes} takes of each level: give a number from 1 to {len(TAKES)}.")
    for level_db in recorded_db:
        if level_db not in LONG_TERM_LEVELS_DB:
            levels = " and ".join(f"{level:g}" for level in LONG_TERM_LEVELS_DB)
            raise ReportError(
                f"stress recorded at {level_db:g} dB: the demo's long-term levels are {levels} dB. "
                "Give one of them."
            )
    if folder.exists() and not folder.is_dir():
        raise ReportError(f"{folder}: is a file. Give the name of a new folder.")
    if folder.is_dir() and any(folder.iterdir()):
        raise ReportError(
            f"{folder}: is not empty. Give the name of a new folder, or empty this one first."
        )


def _write_session(
    folder: Path,
    *,
    speaker: str,
    seed: int,
    stages_s: Sequence[float],
    takes: int,
    recorded_db: Collection[float],
    progress: Progress | None,
) -> None:
    about = SPEAKERS[speaker]
    multitone = multitone_signal(sample_rate_hz=SAMPLE_RATE_HZ, seed=[seed, 0])
    sweeps = takes * (len(LEVELS_DB) + 1)
    long_sweeps = len(LONG_TERM_LEVELS_DB) * (takes + len(stages_s))
    captures_in_all = 1 + sweeps + long_sweeps + len(set(recorded_db)) * len(stages_s)
    written: list[str] = []

    def keep(name: str, recording: Recording) -> str:
        path = f"captures/{name}.flac"
        _write_recording(folder / path, recording)
        written.append(path)
        if progress is not None:
            progress(len(written), captures_in_all, path)
        return path

    day = DemoDay(about, sweep=SWEEP, multitone=multitone, seed=seed, keep=keep)
    noise = day.silence()
    short_term = day.short_term(takes=takes)
    long_term = tuple(
        day.long_term(
            level_db, stages_s=stages_s, takes=takes, record_stress=level_db in recorded_db
        )
        for level_db in LONG_TERM_LEVELS_DB
    )
    again = day.baseline_again(takes=takes)

    stimulus = STIMULUS_PEAK * sweep_signal(SWEEP, sample_rate_hz=SAMPLE_RATE_HZ)
    _write_audio(folder / str(SWEEP.stimulus), stimulus, sample_rate_hz=SAMPLE_RATE_HZ)
    period = multitone.samples * (STIMULUS_PEAK / np.max(np.abs(multitone.samples)))
    _write_audio(folder / MULTITONE, period, sample_rate_hz=SAMPLE_RATE_HZ)
    if about.chain.microphone_shelf_db:
        _write_microphone(folder / MICROPHONE, about=about)
    session = Session(
        folder=folder.name,
        date=about.date,
        notes=f"{about.about} Simulated for the demo: no such loudspeaker exists.",
        speaker=_speaker(about),
        rig=_rig(about),
        channels=_channels(about.chain),
        calibration=Calibration(
            full_scale_db=about.chain.full_scale_db,
            voltage_full_scale_v=about.chain.voltage_full_scale_v,
            current_full_scale_a=about.chain.current_full_scale_a,
        ),
        sweep=SWEEP,
        multitone=MultitoneFacts(
            stimulus=MULTITONE, crest_factor_db=round(multitone.crest_factor_db, 1)
        ),
        noise=NoiseFacts(captures=(noise,)),
        short_term=short_term,
        long_term=long_term,
        baseline_again=(again,),
    )
    heading = (
        f"{about.name}: a demo session of the lending library of things, made by simulation\n"
        f"(speaker {speaker}, seed {seed}). Paths are relative to this folder; levels in dB SPL,\n"
        "drives in dB over the baseline sweep, times in seconds."
    )
    text = session_text(session, heading=heading)
    (folder / "session.toml").write_text(text, encoding="utf-8", newline="\n")


def _speaker(about: DemoSpeaker) -> Speaker:
    return Speaker(
        name=about.name,
        drive=about.drive,
        use=about.use,
        crossovers_hz=about.crossovers_hz,
        serial=about.serial,
        settings=about.settings,
        rated_impedance_ohm=about.rated_impedance_ohm,
        sensitivity_db=about.sensitivity_db,
    )


def _rig(about: DemoSpeaker) -> Rig:
    return Rig(
        distance_m=about.loudspeaker.distance_m,
        space=about.space,
        reference_at=about.reference_at,
        temperature_c=about.temperature_c,
        humidity_percent=about.humidity_percent,
        pressure_kpa=101.3,
        equipment=about.equipment,
        microphone_correction=MICROPHONE if about.chain.microphone_shelf_db else None,
    )


def _channels(chain: Chain) -> Channels:
    """Return which channel is what; the two electrical ones are in the stress recordings alone."""
    if chain.current_full_scale_a is None:
        return Channels(microphone=1, reference=2)
    return Channels(microphone=1, reference=2, voltage=3, current=4)


def _write_recording(path: Path, recording: Recording) -> None:
    channels = [
        channel
        for channel in (
            recording.microphone,
            recording.reference,
            recording.voltage,
            recording.current,
        )
        if channel is not None
    ]
    _write_audio(
        path,
        np.stack(channels, axis=1),
        sample_rate_hz=recording.sample_rate_hz,
        bits=16 if recording.bits is not None and recording.bits <= 16 else 24,
    )


def _write_audio(path: Path, samples: FloatArray, *, sample_rate_hz: int, bits: int = 24) -> None:
    """Write FLAC; whole numbers, for soundfile would scale a float by 2^(bits − 1) − 1."""
    path.parent.mkdir(parents=True, exist_ok=True)
    steps = 2 ** (bits - 1)
    whole = np.clip(np.round(samples * steps), -steps, steps - 1).astype(np.int32)
    soundfile.write(
        path, whole << (32 - bits), sample_rate_hz, format="FLAC", subtype=f"PCM_{bits}"
    )


def _write_microphone(path: Path, *, about: DemoSpeaker) -> None:
    """Write by how much the microphone reads too high, as column text."""
    path.parent.mkdir(parents=True, exist_ok=True)
    frequency = 20.0 * 10.0 ** (np.arange(61) / 20.0)
    level_db = 20.0 * np.log10(np.abs(about.chain.microphone(frequency)))
    rows = [f"{hz:.1f} {db:.3f}" for hz, db in zip(frequency, level_db, strict=True)]
    heading = "# frequency in Hz, by how many dB the microphone reads too high"
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8", newline="\n")
