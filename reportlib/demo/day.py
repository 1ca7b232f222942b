"""The demo's measuring day as it goes on: the clock, the loudspeaker's warmth, the recordings.

What is heard goes to a `keep` function, capture by capture; what happened comes back as the
records of ``day``. Nothing here knows where the files are.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

from reportlib.day import Entry, LongTermEntry, Stage, SweepFacts
from reportlib.demo.speakers import DemoSpeaker
from reportlib.simulate import (
    Chain,
    Multitone,
    Recording,
    cold,
    cooled,
    multitone_heating,
    play_multitone,
    play_silence,
    play_sweep,
)

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
