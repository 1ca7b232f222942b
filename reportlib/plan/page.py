"""A plan in words: what the sheet at the stand says, for Markdown and for print alike.

Everything is finished text; the templates only place it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from reportlib.numbers import (
    counted,
    duration,
    frequency,
    hz_range_text,
    level_text,
    levels_text,
    listed,
    sentence,
)
from reportlib.plan import records
from reportlib.plan.cautions import (
    Caution,
    amount,
    cautions,
    full_scale_peak_db,
    stop_rules,
    warnings,
)
from reportlib.plan.levels import MOST_K, nominal_range_hz
from reportlib.plan.records import Plan, PlannedLevel, Step
from reportlib.session.day import SPACES_WITH_1_M_LEVELS, Calibration

Rows = tuple[tuple[str, ...], ...]


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A table of finished text: its heading, its columns, its rows."""

    title: str
    about: str
    columns: tuple[str, ...]
    numeric: tuple[bool, ...]
    rows: Rows


@dataclass(frozen=True, kw_only=True)
class Do:
    """A thing to do, and the paths or commands that it takes."""

    words: str
    shown: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PlanPage:
    """What a plan's sheet says.

    Attributes
    ----------
    name, lead : the loudspeaker, and the day in one sentence
    facts : what it is planned for, a name and a value each
    first, volume : to be ticked off before anything plays, and while the volume is set
    out_of_reach : what to do where the volume does not suffice
    cautions : a heading and a text each
    departures, warnings : where rules were overridden, and what to expect of the sweeps
    levels, day : the two tables
    stops : when to stop
    afterwards : what to do with the recordings
    """

    name: str
    date: str
    lead: str
    facts: tuple[tuple[str, str], ...]
    first: tuple[str, ...]
    volume: tuple[str, ...]
    out_of_reach: str
    cautions: tuple[Caution, ...]
    departures: tuple[str, ...]
    warnings: tuple[str, ...]
    levels: Grid
    day: Grid
    stops: tuple[str, ...]
    afterwards: tuple[Do, ...]


def plan_page(plan: Plan, *, folder: str) -> PlanPage:
    """Put a plan into words.

    Parameters
    ----------
    folder : the session folder, as a command would name it
    """
    request = plan.request
    levels_db = [level.level_db for level in plan.sweeps]
    end = clock(plan.ends_s)
    lead = f"Sweeps at {levels_text(levels_db)}"
    if plan.stresses:
        stressed = levels_text([level.level_db for level in plan.stresses])
        lead += f", a multitone at {stressed} for {duration(sum(request.stages_s))}"
    lead += f", the baseline again: from {clock(request.start_s)} to {end}."
    return PlanPage(
        name=request.speaker.name,
        date=request.date,
        lead=lead,
        facts=_facts(plan),
        first=_first(plan),
        volume=_volume(plan),
        out_of_reach=(
            "Out of reach? Plan again, in a new folder, with the highest clean reading as the "
            "baseline and the top lower by as much: the steps stay."
        ),
        cautions=cautions(plan),
        departures=plan.departures,
        warnings=warnings(plan),
        levels=_levels(plan),
        day=_day(plan),
        stops=tuple(sentence(stop) + "." for stop in stop_rules(plan)),
        afterwards=_afterwards(plan, folder=folder),
    )


def clock(seconds: float) -> str:
    """Return a time of day, by the minute.

    >>> clock(9.5 * 3600.0), clock(25.0 * 3600.0)
    ('09:30', '01:00')
    """
    minutes = int(seconds / 60.0 + 1e-6) % (24 * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _facts(plan: Plan) -> tuple[tuple[str, str], ...]:
    request = plan.request
    speaker, rig, sweep = request.speaker, request.rig, request.sweep
    box = [speaker.enclosure] if speaker.enclosure else []
    tuned = [f"tuned to {listed([f'{hz:g}' for hz in speaker.tuning_hz])} Hz"]
    kinds = [speaker.name, speaker.drive, *box, *(tuned if speaker.tuning_hz else [])]
    found = [("Loudspeaker", ", ".join(kinds))]
    rated = [
        *([f"{speaker.rated_impedance_ohm:g} Ω"] if speaker.rated_impedance_ohm else []),
        *([f"{speaker.rated_power_w:g} W"] if speaker.rated_power_w else []),
        *(
            [f"at most {level_text(speaker.maximum_level_db)}"]
            if speaker.maximum_level_db is not None
            else []
        ),
    ]
    if rated:
        found.append(("Rated by the maker", ", ".join(rated)))
    if speaker.sensitivity_db is not None:
        found.append(("Sensitivity", f"{level_text(speaker.sensitivity_db)} at 1 m for 2.83 V"))
    if speaker.crossovers_hz:
        found.append(("Crossovers", listed([frequency(hz) for hz in speaker.crossovers_hz])))
    gate = f", gate {rig.gate_ms:g} ms" if rig.gate_ms is not None else ""
    found.append(("Microphone", f"at {rig.distance_m:g} m, {rig.space}{gate}"))
    found.append(("Reference channel", rig.reference_at or "none: volume steps count as asked"))
    found.append(("Levels", _calibration_text(request.calibration)))
    found.append(
        (
            "Sweep",
            f"{sweep.duration_s:g} s, {hz_range_text(sweep.start_hz, sweep.stop_hz)} and a little "
            f"beyond, where it fades; {counted(request.takes, 'take')} a level, "
            f"{request.sample_rate_hz} samples a second",
        )
    )
    if plan.stresses:
        stages = listed([f"{stress_s:g} s" for stress_s in request.stages_s])
        found.append(("Multitone", f"crest factor {request.crest_factor_db:g} dB, for {stages}"))
    noise = request.room_noise
    found.append(
        ("Room", f"{noise.level_db:.0f} dB, {noise.about}" if noise else "its noise is not known")
    )
    bounds = "; ".join(f"{bound.text}: {bound.about}" for bound in plan.bounds)
    unknown = "none known: nobody gave a rating, so go up with care"
    found.append(("Bounds of the top", bounds or unknown))
    return tuple(found)


def _calibration_text(calibration: Calibration | None) -> str:
    if calibration is None:
        return "not calibrated: named as asked for (--calibrator would have them measured)"
    if calibration.recording is not None:
        return f"by a calibrator of {calibration.level_db:g} dB"
    return f"full scale of the recorder at {calibration.full_scale_db:g} dB"


def _first(plan: Plan) -> tuple[str, ...]:
    request = plan.request
    found = [
        "Automatic gain, limiter and noise reduction are off in player and recorder.",
        f"The recorder runs at {request.sample_rate_hz} samples a second, 24 bits, WAV or FLAC"
        + (
            f"; microphone on channel {request.channels.microphone}, reference on "
            f"{request.channels.reference}."
            if request.channels.reference is not None
            else "."
        ),
        "Microphone and loudspeaker can't move, and nobody will touch either until the end.",
        "The player has no equaliser and no loudness switched on"
        + (", and its volume is fixed." if request.level_files else "."),
        "Somebody knows how to switch the amplifier off, and an extinguisher is at hand.",
        "Neighbours are told; animals and children are elsewhere.",
    ]
    if request.speaker.drive == "passive":
        found.insert(2, "Terminals are tight; the amplifier's output is watched.")
    if request.speaker.drive == "active":
        found.insert(2, "The loudspeaker's own settings are written down and stay as they are.")
    return tuple(found)


def _volume(plan: Plan) -> tuple[str, ...]:
    request, volume, baseline = plan.request, plan.volume, plan.sweeps[0]
    name = volume.file.removeprefix("stimulus/")
    in_1_m_space = request.rig.space in SPACES_WITH_1_M_LEVELS
    by_meter = (
        f"Volume all the way down, {name} in a loop. Raise it until a level meter at the "
        f"microphone, on Slow or as Leq over {records.VOLUME_S:g} s, reads "
        f"{volume.z_db:.1f} dB(Z), {volume.c_db:.1f} dB(C) or {volume.a_db:.1f} dB(A)."
    )
    if request.rig.space == "gated":
        by_meter += " Up to 3 dB of that may be the room's, which the gate leaves out."
    found = [by_meter]
    drive = baseline.terminals
    if drive is not None and in_1_m_space:
        _, high_hz = nominal_range_hz(request.sweep)
        found.append(
            f"A true-rms meter (good to {frequency(high_hz)}) at the terminals then reads about "
            f"{amount(drive.volt, 'V', digits=3, up=False)}, by the maker's sensitivity: set that "
            "where there is no level meter. At twice that and still too quiet, stop and find out "
            "why."
        )
    calibration = request.calibration
    if calibration is not None and calibration.full_scale_db is not None:
        found.append(
            f"The recorder's gain is that of its full scale of {calibration.full_scale_db:g} dB, "
            "and stays so."
        )
        return tuple(found)
    peak_db = volume.z_db + records.VOLUME_CREST_DB
    below_db = math.ceil(full_scale_peak_db(plan) - peak_db)
    found.append(
        f"Set the recorder's gain while it plays, with peaks at −{below_db} dBFS or lower, and "
        "never touch it again."
    )
    if calibration is not None:
        found.append(
            f"Then record the calibrator, seated on the microphone: {records.SILENCE_S:g} s, once, "
            "before the first take."
        )
    return tuple(found)


def _levels(plan: Plan) -> Grid:
    columns = ["Level at 1 m", "Volume", "Plays", "At the microphone"]
    if plan.request.rig.space not in SPACES_WITH_1_M_LEVELS:
        columns = ["Level at the microphone", "Volume", "Plays"]
    cells: list[Callable[[PlannedLevel], str]] = [
        lambda level: level_text(level.level_db) + (", multitone" if level.multitone else ""),
        lambda level: f"+{level.drive_db:g} dB" if level.drive_db else "baseline",
        lambda level: level.file.removeprefix("stimulus/"),
        lambda level: level_text(round(level.at_microphone_db)),
    ][: len(columns)]
    if _has_terminals(plan):
        columns += ["Terminals, rms", "peak", "Power", "Coil, at most"]
        cells += [
            lambda level: (
                amount(level.terminals.volt, "V", digits=3, up=False) if level.terminals else ""
            ),
            lambda level: amount(level.terminals.peak_volt, "V") if level.terminals else "",
            _power_text,
            _coil_text,
        ]
    rows = [tuple(cell(level) for cell in cells) for level in (*plan.sweeps, *plan.stresses)]
    numeric = (False, True, False, *(True for _ in columns[3:]))
    return Grid(
        title="Levels",
        about=_levels_about(plan),
        columns=tuple(columns),
        numeric=numeric,
        rows=tuple(rows),
    )


def _levels_about(plan: Plan) -> str:
    request = plan.request
    volume = (
        "The volume is set once and never touched again: each file (in stimulus) has its level in "
        "it."
        if request.level_files
        else "Raise the volume by as much as the table says; all files (in stimulus) have the same "
        "rms."
    )
    if not _has_terminals(plan):
        if request.speaker.drive == "active":
            return volume
        return f"{volume} Without a sensitivity nothing can be said of volts and watts."
    return (
        f"{volume} Volts are by the maker's sensitivity in free field, watts into the rated "
        "impedance: expect them to be off by a few decibels, and go by the level at the microphone."
    )


def _power_text(level: PlannedLevel) -> str:
    drive = level.terminals
    return amount(drive.watt, "W") if drive is not None and drive.watt is not None else ""


def _coil_text(level: PlannedLevel) -> str:
    if not level.self_heat or level.multitone:
        return ""
    rise_k = max(part.rise_k for part in level.self_heat)
    return f"+{math.ceil(rise_k)} K" if rise_k <= MOST_K else f"+{MOST_K:.0f} K or more"


def _day(plan: Plan) -> Grid:
    waits = any(step.wait_s for step in plan.steps)
    cooling = " A wait is for cooling: longer does no harm, shorter does." if waits else ""
    return Grid(
        title="The day",
        about=(
            f"Record each to the name given, into a folder {records.RECORDINGS}; a recording may "
            f"run longer at both ends. {_how_text(plan)} Times leave {records.HANDLING_S:g} s to "
            f"name a file and listen.{cooling}"
        ),
        columns=("Done", "At", "What", "Level", "Play", "Record to", "Then wait"),
        numeric=(False, True, False, True, False, False, True),
        rows=tuple(_step_row(step, plan=plan) for step in plan.steps),
    )


def _how_text(plan: Plan) -> str:
    if plan.request.level_files:
        return "Start the recorder first, then the player."
    by_hand = (
        "Start the recorder first, leave a second of silence before and after each sound, and "
        "turn the volume before the recorder starts."
    )
    if plan.stresses:
        by_hand += (
            f" Play {records.MULTITONE.removeprefix('stimulus/')} in a loop for a stage, then the "
            f"sweep {records.PAUSE_S:g} s later, in the same recording."
        )
    return by_hand


def _step_row(step: Step, *, plan: Plan) -> tuple[str, ...]:
    level = "" if step.level_db is None else level_text(step.level_db)
    if step.level_db is not None and not plan.request.level_files and step.drive_db:
        level += f" (+{step.drive_db:g} dB)"
    return (
        "☐",
        clock(step.at_s),
        sentence(step.what),
        level,
        step.play.removeprefix("stimulus/"),
        step.record_to,
        _wait_text(step.wait_s),
    )


def _has_terminals(plan: Plan) -> bool:
    return any(level.terminals is not None for level in plan.sweeps)


def _wait_text(wait_s: float) -> str:
    """Return a wait by the clock: ``"2 min 20 s"``."""
    minutes, seconds = divmod(round(wait_s), 60)
    parts = [f"{minutes} min"] if minutes else []
    parts += [f"{seconds} s"] if seconds else []
    return " ".join(parts)


def _afterwards(plan: Plan, *, folder: str) -> tuple[Do, ...]:
    recordings = f"{folder}/{records.RECORDINGS}"
    return (
        Do(
            words="Copy all recordings, whatever they are called and however long they are, into",
            shown=(recordings,),
        ),
        Do(
            words="Have every sweep and every multitone found, cut and filed, and hear what is "
            "missing:",
            shown=(f"upheld intake {folder} {recordings}",),
        ),
        Do(words="Make the report:", shown=(f"upheld report {folder}",)),
    )
