"""Demo sessions: a simulated measuring day as it goes on, written as a session folder.

The lending library's three loudspeakers (``demo_speakers``) play through the day in order:
silence, short-term levels with their takes, two long-term levels with stress in stages, the
baseline once more. Coils warm and cool from one capture to the next. The same seed gives the
same bytes.

What is heard goes to a `keep` function, capture by capture; what happened comes back as the
records of ``day``. Nothing here knows where the files are.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from reportlib.errors import ReportError
from reportlib.session import lock
from reportlib.session.day import (
    Calibration,
    Channels,
    Entry,
    LongTermEntry,
    MultitoneFacts,
    NoiseFacts,
    Rig,
    Session,
    Speaker,
    Stage,
    SweepFacts,
)
from reportlib.session.records import FloatArray
from reportlib.session.toml_text import session_text
from reportlib.simulate.heat import cold, cooled
from reportlib.simulate.recordings import (
    multitone_heating,
    play_multitone,
    play_silence,
    play_sweep,
)
from reportlib.simulate.rig import Chain, Recording
from reportlib.simulate.signals import Multitone, multitone_signal, sweep_signal
from reportlib.simulate.speakers import SPEAKERS, DemoSpeaker

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
        with lock.fresh_folder(folder, inside=folder.parent) as made:
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


Keep = Callable[[str, Recording], str]
"""Called with a capture's name and its sound; returns the path that it now has."""

LEVELS_DB = (72.0, 78.0, 84.0, 90.0, 96.0, 99.0)
LONG_TERM_LEVELS_DB = (82.0, 92.0)
START_S = 9.5 * 3600.0
LEAD_IN_S, TAIL_S = 0.5, 0.6
SILENCE_S = 6.0
BETWEEN_TAKES_S, BETWEEN_LEVELS_S = 90.0, 60.0
BEFORE_STRESS_S, BEFORE_BASELINE_AGAIN_S = 600.0, 1200.0
PAUSE_S, REST_S = 2.0, 8.0
STRESS_BITS = 14
"""Of the stress recordings, with dither: minutes of sound are most of a folder's size."""
TAKES = "abcdefghijklmnopqrstuvwxyz"


class DemoDay:
    """One loudspeaker's day. The methods play and record in the order in which they are called.

    Parameters
    ----------
    about : the loudspeaker and its chain
    sweep, multitone : what is played
    seed : of all noise; each capture has its own, by its place in the day
    keep : where captures go
    """

    def __init__(
        self,
        about: DemoSpeaker,
        *,
        sweep: SweepFacts,
        multitone: Multitone,
        seed: int,
        keep: Keep,
    ) -> None:
        self._about = about
        self._sweep = sweep
        self._multitone = multitone
        self._seed = seed
        self._keep_capture = keep
        self._captures = 0
        self._clock_s = START_S
        self._temperatures = cold(about.loudspeaker)

    def silence(self) -> str:
        """Record the place with nothing played."""
        recording = play_silence(
            duration_s=SILENCE_S,
            chain=self._chain(),
            seed=self._next_seed(),
            sample_rate_hz=self._multitone.sample_rate_hz,
        )
        return self._keep("silence", recording)

    def short_term(self, *, takes: int) -> tuple[Entry, ...]:
        """Play the ladder of levels, each with its takes."""
        entries = []
        for level_db in LEVELS_DB:
            self._rest(BETWEEN_LEVELS_S)
            entries.append(self._level(level_db, name="short", takes=takes))
        return tuple(entries)

    def long_term(
        self, level_db: float, *, stages_s: Sequence[float], takes: int, record_stress: bool
    ) -> LongTermEntry:
        """Cool down, then sweep, stress and sweep again, stage after stage."""
        self._rest(BEFORE_STRESS_S)
        drive_db = level_db - LEVELS_DB[0]
        before = self._takes(f"long-{level_db:g}-before", drive_db=drive_db, takes=takes)
        stages = []
        for number, stress_s in enumerate(stages_s, start=1):
            stress = f"long-{level_db:g}-stress-{number}"
            path = self._stress(
                stress, drive_db=drive_db, stress_s=stress_s, recorded=record_stress
            )
            self._rest(PAUSE_S - TAIL_S - LEAD_IN_S)
            after = self._play_sweep(f"long-{level_db:g}-after-{number}", drive_db=drive_db)
            self._rest(REST_S - PAUSE_S - self._sweep.duration_s - TAIL_S - LEAD_IN_S)
            stages.append(
                Stage(
                    stress_s=float(stress_s),
                    after=(after,),
                    pause_s=(PAUSE_S,),
                    pause_u_s=0.1,
                    stress=path,
                    rest_s=REST_S if number < len(stages_s) else None,
                )
            )
        return LongTermEntry(
            level_db=level_db,
            drive_db=drive_db,
            sweep_drive_db=drive_db,
            before=before,
            stages=tuple(stages),
        )

    def baseline_again(self, *, takes: int) -> Entry:
        """Cool down, then play the baseline once more."""
        self._rest(BEFORE_BASELINE_AGAIN_S)
        return self._level(LEVELS_DB[0], name="again", takes=takes)

    def _level(self, level_db: float, *, name: str, takes: int) -> Entry:
        minutes, seconds = divmod(int(self._clock_s), 60)
        drive_db = level_db - LEVELS_DB[0]
        return Entry(
            level_db=level_db,
            drive_db=drive_db,
            at=f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}",
            captures=self._takes(f"{name}-{level_db:g}", drive_db=drive_db, takes=takes),
        )

    def _takes(self, name: str, *, drive_db: float, takes: int) -> tuple[str, ...]:
        paths = []
        for letter in TAKES[:takes]:
            paths.append(self._play_sweep(f"{name}-{letter}", drive_db=drive_db))
            self._rest(BETWEEN_TAKES_S)
        return tuple(paths)

    def _play_sweep(self, name: str, *, drive_db: float) -> str:
        recording = play_sweep(
            self._about.loudspeaker,
            self._sweep,
            drive_db=drive_db,
            chain=self._chain(),
            seed=self._next_seed(),
            sample_rate_hz=self._multitone.sample_rate_hz,
            temperatures=self._temperatures,
            lead_in_s=LEAD_IN_S,
            tail_s=TAIL_S,
        )
        return self._keep(name, recording)

    def _stress(self, name: str, *, drive_db: float, stress_s: float, recorded: bool) -> str | None:
        if recorded:
            recording = play_multitone(
                self._about.loudspeaker,
                self._multitone,
                drive_db=drive_db,
                periods=round(stress_s * self._periods_a_second()),
                chain=replace(self._chain(), converter_bits=STRESS_BITS, dither=True),
                seed=self._next_seed(),
                temperatures=self._temperatures,
                lead_in_s=LEAD_IN_S,
                tail_s=TAIL_S,
            )
            return self._keep(name, recording)
        self._rest(LEAD_IN_S)
        self._temperatures = multitone_heating(
            self._about.loudspeaker,
            self._multitone,
            drive_db=drive_db,
            duration_s=stress_s,
            step_s=0.5,
            temperatures=self._temperatures,
        ).end
        self._clock_s += stress_s
        self._rest(TAIL_S)
        return None

    def _keep(self, name: str, recording: Recording) -> str:
        self._temperatures = recording.temperatures or self._temperatures
        self._clock_s += recording.microphone.size / recording.sample_rate_hz
        return self._keep_capture(name, recording)

    def _rest(self, pause_s: float) -> None:
        self._temperatures = cooled(self._about.loudspeaker, self._temperatures, pause_s=pause_s)
        self._clock_s += pause_s

    def _chain(self) -> Chain:
        hours = (self._clock_s - START_S) / 3600.0
        return replace(self._about.chain, gain_db=self._about.drift_db_per_hour * hours)

    def _next_seed(self) -> list[int]:
        self._captures += 1
        return [self._seed, self._captures, *self._about.name.encode()]

    def _periods_a_second(self) -> float:
        return self._multitone.sample_rate_hz / self._multitone.samples.size
