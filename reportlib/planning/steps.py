"""The day in order: what is played and recorded when, and how long coils and magnets cool."""

from collections.abc import Sequence
from dataclasses import replace

from reportlib.day import SweepFacts
from reportlib.planning import names, rules
from reportlib.planning.asked import PlanRequest
from reportlib.planning.heat import cooling_wait_s
from reportlib.planning.plan import PlannedLevel, Step, StepKind


class Clock:
    """Where the day stands while its steps are laid out, one after the other."""

    def __init__(self, start_s: float) -> None:
        self.now_s = start_s
        self.steps: list[Step] = []

    def add(
        self,
        kind: StepKind,
        *,
        what: str,
        level: PlannedLevel | None = None,
        play: str = "",
        record_to: str = "",
        takes_s: float = 0.0,
        wait_s: float = 0.0,
    ) -> None:
        """Add a step that takes so long, and a wait after it."""
        self.steps.append(
            Step(
                kind=kind,
                at_s=self.now_s,
                play=play,
                record_to=record_to,
                level_db=None if level is None else level.level_db,
                drive_db=0.0 if level is None else level.drive_db,
                recorded_s=takes_s if record_to else 0.0,
                wait_s=wait_s,
                what=what,
            )
        )
        self.now_s += takes_s + wait_s + (rules.HANDLING_S if record_to else 0.0)

    def rest(self, wait_s: float) -> None:
        """Wait longer after the last step: so long in all."""
        last = self.steps[-1]
        self.now_s += max(wait_s - last.wait_s, 0.0)
        self.steps[-1] = replace(last, wait_s=max(wait_s, last.wait_s))


def day_steps(
    request: PlanRequest,
    *,
    sweep: SweepFacts,
    sweeps: Sequence[PlannedLevel],
    stresses: Sequence[PlannedLevel],
) -> tuple[tuple[Step, ...], float]:
    """Return the day's steps, and when it ends in s after midnight."""
    clock = Clock(request.start_s)
    baseline = sweeps[0]
    clock.add("prepare", what="set up and tick off what comes first", takes_s=rules.SETTING_UP_S)
    if request.calibration is not None and request.calibration.recording is not None:
        clock.add(
            "calibrator",
            what="the calibrator on the microphone",
            record_to=names.recording(names.CALIBRATOR),
            takes_s=rules.SILENCE_S,
        )
    clock.add(
        "volume",
        what=_volume_text(baseline),
        level=baseline,
        play=baseline.file,
        takes_s=300.0,
    )
    clock.add(
        "silence",
        what="the place with nothing played",
        record_to="silence.wav",
        takes_s=rules.SILENCE_S,
    )
    for level in sweeps:
        stem = f"short-{level.level_db:g}"
        _takes(clock, level, request=request, sweep=sweep, stem=stem, what="sweep")
    for number, level in enumerate(stresses):
        clock.rest(rules.BETWEEN_STRESSES_S if number else rules.BEFORE_STRESS_S)
        stem = f"long-{level.level_db:g}-before"
        _takes(
            clock, level, request=request, sweep=sweep, stem=stem, what="sweep before the multitone"
        )
        clock.add(
            "stress",
            what=_stages_text(request.stages_s),
            level=level,
            play=stress_play(request, level_db=level.level_db),
            record_to=f"long-{level.level_db:g}.wav",
            takes_s=stress_length_s(request, sweep=sweep),
        )
    clock.rest(rules.BEFORE_BASELINE_AGAIN_S)
    stem = f"again-{baseline.level_db:g}"
    _takes(clock, baseline, request=request, sweep=sweep, stem=stem, what="the baseline again")
    clock.add("end", what="amplifier off")
    return tuple(clock.steps), clock.now_s


def stress_length_s(request: PlanRequest, *, sweep: SweepFacts) -> float:
    """Return how long all stages of a long-term level take, with the silences around them."""
    stages = len(request.stages_s)
    return rules.LEAD_IN_S + sum(request.stages_s) + stages * rest_s(sweep)


def rest_s(sweep: SweepFacts) -> float:
    """Return the time from a multitone's end to the start of the next."""
    return rules.PAUSE_S + sweep.duration_s + rules.AFTER_SWEEP_S


def _takes(
    clock: Clock,
    level: PlannedLevel,
    *,
    request: PlanRequest,
    sweep: SweepFacts,
    stem: str,
    what: str,
) -> None:
    captures = names.captures(stem, takes=request.takes)
    for number, capture in enumerate(captures, start=1):
        clock.add(
            "sweep",
            what=f"{what}, take {number} of {len(captures)}",
            level=level,
            play=sweep_play(request, level_db=level.level_db),
            record_to=names.recording(capture),
            takes_s=rules.LEAD_IN_S + sweep.duration_s + rules.TAIL_S,
            wait_s=cooling_wait_s(level.self_heat),
        )


def sweep_play(request: PlanRequest, *, level_db: float) -> str:
    """Return the file that plays a sweep at a level."""
    return names.sweep_file(level_db) if request.level_files else names.SWEEP


def stress_play(request: PlanRequest, *, level_db: float) -> str:
    """Return the file that plays the stress at a level."""
    return names.stress_file(level_db) if request.level_files else names.MULTITONE


def _volume_text(baseline: PlannedLevel) -> str:
    text = f"set the volume: {baseline.at_microphone_db:.0f} dB at the microphone"
    if baseline.terminals is None:
        return text
    return f"{text}, about {baseline.terminals.volt:.2g} V at the terminals"


def _stages_text(stages_s: Sequence[float]) -> str:
    stages = ", ".join(f"{stress_s:g} s" for stress_s in stages_s)
    return f"multitone for {stages}, a sweep {rules.PAUSE_S:g} s after each"
