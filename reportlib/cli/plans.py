"""``upheld plan`` and ``upheld intake``: a day before it is measured, its recordings after.

What is not given as an option is asked for, at a terminal only.
"""

import datetime
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import click

from reportlib.cli.shared import echo, echo_json, one_line_errors
from reportlib.errors import PlanError
from reportlib.plan.cautions import warnings
from reportlib.plan.day import make_plan
from reportlib.plan.folder import heard_silence, refuse_used, write_plan
from reportlib.plan.intake_folder import take_in
from reportlib.plan.levels import sensitivity_at_volt_db
from reportlib.plan.records import CALIBRATOR, Plan, PlanRequest, RoomNoise, Woofer
from reportlib.publish import memory
from reportlib.session import lock
from reportlib.session.day import Calibration, Channels, Rig, Speaker, SweepFacts, Use
from reportlib.session.reading import read_planned_session

DRIVES = ("passive", "active")
ENCLOSURES = ("closed", "vented", "passive radiator", "open")
SPACES = ("free field", "half space", "gated", "near field", "room")
REFERENCES = ("none", "terminals", "loop-back")
SENSITIVITIES = ("2.83 V", "1 W")

CAUTION = (
    "Loud tests hurt ears, drive units and amplifiers: stay out of the room or wear protection, "
    "raise the level in steps, leave nothing unattended. Local rules and qualified people come "
    "first."
)


def _number(name: str, about: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    return click.option(name, type=float, help=about)


@click.command()
@click.argument("folder", metavar="NEW_SESSION", type=click.Path(path_type=Path))
@click.option("--name", help="The loudspeaker's name.")
@click.option("--drive", type=click.Choice(DRIVES), help="Fed by an amplifier, or has its own.")
@click.option("--use", type=click.Choice(get_args(Use)), help="What it is made for.")
@_number("--impedance", "Rated impedance, in ohms.")
@_number("--power", "Rated power, in watts.")
@_number("--maximum-level", "The maker's maximum level at 1 m, in dB.")
@_number("--sensitivity", "Sensitivity at 1 m, in dB.")
@click.option(
    "--sensitivity-at",
    type=click.Choice(SENSITIVITIES),
    default="2.83 V",
    show_default=True,
    help="What the sensitivity is for.",
)
@click.option("--crossover", "crossovers", type=float, multiple=True, help="A crossover, in Hz.")
@_number("--cone-cm", "Effective diameter of the woofer's cone, in cm.")
@_number("--excursion-mm", "How far the woofer may move to one side, in mm.")
@_number(
    "--bass-from",
    "Lowest frequency that it gives at its level, in Hz.  [default: the lowest --tuning]",
)
@click.option("--enclosure", type=click.Choice(ENCLOSURES), help="How the box is built.")
@click.option(
    "--tuning",
    "tunings",
    type=float,
    multiple=True,
    help="What its port or radiator is tuned to, in Hz.",
)
@_number("--distance", "Microphone to loudspeaker, in m.")
@click.option("--space", type=click.Choice(SPACES), help="Where it is measured.")
@_number("--gate-ms", "Until the first reflection, in ms.")
@click.option("--sample-rate", type=int, default=48000, show_default=True, help="Samples a second.")
@click.option(
    "--reference",
    type=click.Choice(REFERENCES),
    default="none",
    show_default=True,
    help="Where the drive is recorded.",
)
@click.option(
    "--microphone-channel", type=int, default=1, show_default=True, help="Counted from 1."
)
@click.option("--reference-channel", type=int, default=2, show_default=True, help="Counted from 1.")
@_number("--full-scale", "dB SPL of a sine that just reaches the recorder's full scale.")
@_number("--calibrator", "Level of an acoustic calibrator that is recorded first, in dB.")
@click.option(
    "--calibrator-hz", type=float, default=1000.0, show_default=True, help="Its frequency."
)
@_number("--room-noise", "What a level meter reads at the microphone in silence, in dB.")
@click.option(
    "--silence",
    type=click.Path(path_type=Path),
    help="A recording with nothing played (with --full-scale): how quiet the place is.",
)
@_number("--baseline", "Lowest level at 1 m, in dB.  [default: 30 dB over the room's noise]")
@_number("--top", "Highest level at 1 m, in dB.  [default: what rating, cone and ears allow]")
@click.option(
    "--level",
    "levels",
    type=float,
    multiple=True,
    help="A level of your own, instead of --baseline and --top; give each, rising.",
)
@click.option("--takes", type=int, default=2, show_default=True, help="Takes of each level.")
@click.option(
    "--stress",
    "stresses",
    type=float,
    multiple=True,
    help="A level of the multitone, in dB.  [default: 9 dB below the top]",
)
@click.option("--no-stress", is_flag=True, help="Plan no long-term test.")
@click.option(
    "--stage",
    "stages",
    type=float,
    multiple=True,
    help="Seconds of one stage of it; give each.  [default: 30, 90, 480]",
)
@click.option(
    "--crest-factor", type=float, default=12.0, show_default=True, help="Of the multitone, in dB."
)
@click.option("--sweep-start", type=float, default=20.0, show_default=True, help="In Hz.")
@click.option("--sweep-stop", type=float, default=20000.0, show_default=True, help="In Hz.")
@click.option("--sweep-length", type=float, default=4.0, show_default=True, help="In seconds.")
@click.option(
    "--date",
    type=click.DateTime(["%Y-%m-%d"]),
    help="The day, such as 2026-05-04.  [default: today]",
)
@click.option(
    "--start",
    type=click.DateTime(["%H:%M"]),
    default="09:30",
    show_default=True,
    help="When the day begins.",
)
@click.option("--nobody-in-room", is_flag=True, help="Everybody is outside while it plays.")
@click.option(
    "--beyond-rating",
    default="",
    help="Why to go beyond the maker's rating; it goes into the report.",
)
@click.option("--notes", default="", help="Anything else that the report shall say.")
@click.option(
    "--level-files/--no-level-files",
    default=True,
    show_default=True,
    help="A file for each level, or the volume turned.",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "us-letter"]),
    default="a4",
    show_default=True,
    help="Of the sheet to print.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@one_line_errors
def plan(folder: Path, *, paper: Any, as_json: bool, **options: Any) -> None:
    """Plan a measuring day: levels, files to play, a checklist, all in NEW_SESSION.

    What is needed and not given is asked for at a terminal. A plan beyond the maker's rating is
    refused unless --beyond-rating gives a reason.

    \b
    Example:
      upheld plan marram-12 --name "Marram 12" --drive passive --impedance 4 --power 150 \\
        --sensitivity 84 --distance 1 --space "free field" --baseline 72 --top 99
    """
    refuse_used(folder)
    _ask(options)
    made = make_plan(_request(options))
    say = None if as_json or not sys.stderr.isatty() else lambda path: echo(path, err=True)
    write_plan(made, folder, paper=paper, progress=say)
    _tell(made, folder=folder, as_json=as_json)


def _tell(made: "Plan", *, folder: Path, as_json: bool) -> None:
    if as_json:
        outcome = {
            "session": str(folder),
            "levels_db": [level.level_db for level in made.sweeps],
            "stress_db": [level.level_db for level in made.stresses],
            "niosh_percent": made.dose.niosh_percent,
            "osha_percent": made.dose.osha_percent,
            "departures": list(made.departures),
        }
        echo_json(outcome)
        return
    echo(f"Planned {folder}. Print {folder / 'plan.pdf'}, or read {folder / 'plan.md'}.")
    for line in (*made.departures, *warnings(made), CAUTION):
        echo(line)


_NEEDED: dict[str, tuple[str, Any]] = {
    "name": ("The loudspeaker's name", str),
    "drive": ("Passive or active", click.Choice(DRIVES)),
    "distance": ("Microphone to loudspeaker, in m", float),
    "space": ("Where it is measured", click.Choice(SPACES)),
}
_WELCOME: dict[str, str] = {
    "impedance": "Rated impedance, in ohms",
    "power": "Rated power, in watts",
    "sensitivity": "Sensitivity at 1 m for 2.83 V, in dB",
    "maximum_level": "The maker's maximum level at 1 m, in dB",
}


def _ask(options: dict[str, Any]) -> None:
    """Ask for what is missing, where somebody can answer.

    Raises
    ------
    PlanError
        Something is missing, and nobody is there to ask.
    """
    missing = [name for name in _NEEDED if options[name] is None]
    if not _somebody_answers():
        if missing:
            wanted = ", ".join(f"--{name.replace('_', '-')}" for name in missing)
            raise PlanError(f"still needed: {wanted}. Give them as options.")
        return
    for name in missing:
        text, kind = _NEEDED[name]
        options[name] = click.prompt(text, type=kind)
    if options["space"] == "gated" and options["gate_ms"] is None:
        options["gate_ms"] = click.prompt("Until the first reflection, in ms", type=float)
    for name, text in _WELCOME.items():
        if options[name] is None and (options["drive"] == "passive" or name == "maximum_level"):
            options[name] = _number_or_none(f"{text} (Enter where not known)")
    if options["drive"] == "passive" and not options["crossovers"]:
        answer = click.prompt("Crossovers, in Hz (Enter where not known)", default="")
        options["crossovers"] = tuple(_numbers(answer))
    if not options["levels"]:
        if options["baseline"] is None and options["silence"] is None:
            text = "Lowest level at 1 m, in dB (Enter to go by the room's noise)"
            options["baseline"] = _number_or_none(text)
            if options["baseline"] is None and options["room_noise"] is None:
                text = "What a level meter reads at the microphone in silence, in dB"
                options["room_noise"] = click.prompt(text, type=float)
        if options["top"] is None:
            text = "Highest level at 1 m, in dB (Enter for what rating, cone and ears allow)"
            options["top"] = _number_or_none(text)
    if not options["stages"] and not options["no_stress"]:
        text = "Stages of multitone, in seconds (0 for none)"
        stages = _numbers(click.prompt(text, default="30, 90, 480"))
        options["no_stress"] = stages in ([], [0.0])
        options["stages"] = tuple(stages)


def _somebody_answers() -> bool:
    return sys.stdin.isatty()


def _number_or_none(text: str) -> float | None:
    numbers = _numbers(click.prompt(text, default="", show_default=False))
    return numbers[0] if numbers else None


def _numbers(text: str) -> list[float]:
    try:
        return [float(part) for part in text.replace(",", " ").split()]
    except ValueError as error:
        raise PlanError(f"{text!r} is no number. Give digits, a point for decimals.") from error


def _request(options: dict[str, Any]) -> "PlanRequest":
    referenced = options["reference"] != "none"
    calibration = None
    if options["calibrator"] is not None:
        calibration = Calibration(
            recording=CALIBRATOR,
            level_db=options["calibrator"],
            frequency_hz=options["calibrator_hz"],
        )
    elif options["full_scale"] is not None:
        calibration = Calibration(full_scale_db=options["full_scale"])
    date = options["date"].date() if options["date"] else datetime.date.today()
    start = options["start"]
    more = {"stages_s": options["stages"]} if options["stages"] else {}
    return PlanRequest(
        speaker=Speaker(
            name=options["name"],
            drive=options["drive"],
            use=options["use"],
            crossovers_hz=tuple(sorted(set(options["crossovers"]))),
            enclosure=options["enclosure"],
            tuning_hz=tuple(sorted(set(options["tunings"]))),
            rated_impedance_ohm=options["impedance"],
            rated_power_w=options["power"],
            maximum_level_db=options["maximum_level"],
            sensitivity_db=_sensitivity_db(options),
        ),
        rig=Rig(
            distance_m=options["distance"],
            space=options["space"],
            gate_ms=options["gate_ms"],
            reference_at=options["reference"] if referenced else None,
        ),
        channels=Channels(
            microphone=options["microphone_channel"],
            reference=options["reference_channel"] if referenced else None,
        ),
        calibration=calibration,
        sweep=SweepFacts(
            start_hz=options["sweep_start"],
            stop_hz=options["sweep_stop"],
            duration_s=options["sweep_length"],
        ),
        date=date.isoformat(),
        sample_rate_hz=options["sample_rate"],
        levels_db=options["levels"],
        baseline_db=options["baseline"],
        top_db=options["top"],
        takes=options["takes"],
        stress_db=() if options["no_stress"] else options["stresses"] or None,
        crest_factor_db=options["crest_factor"],
        start_s=3600.0 * start.hour + 60.0 * start.minute,
        room_noise=_room_noise(options),
        woofer=_woofer(options),
        level_files=options["level_files"],
        nobody_in_room=options["nobody_in_room"],
        beyond_rating=options["beyond_rating"],
        notes=options["notes"],
        **more,
    )


def _sensitivity_db(options: dict[str, Any]) -> float | None:
    given: float | None = options["sensitivity"]
    if given is None or options["sensitivity_at"] == "2.83 V":
        return given
    if not options["impedance"] or options["impedance"] <= 0.0:
        raise PlanError("a sensitivity for 1 W needs the rated impedance: give --impedance.")
    return round(sensitivity_at_volt_db(given, impedance_ohm=options["impedance"]), 2)


def _woofer(options: dict[str, Any]) -> Any:
    given = [options[name] for name in ("cone_cm", "excursion_mm", "bass_from")]
    if all(value is None for value in given):
        return None
    cone_cm, excursion_mm, from_hz = given
    if from_hz is None:
        from_hz = min(options["tunings"], default=None)
    if cone_cm is None or excursion_mm is None or from_hz is None:
        raise PlanError(
            "the woofer's excursion needs all three of --cone-cm, --excursion-mm and --bass-from "
            "(or --tuning)."
        )
    return Woofer(diameter_m=0.01 * cone_cm, excursion_m=0.001 * excursion_mm, from_hz=from_hz)


def _room_noise(options: dict[str, Any]) -> "RoomNoise | None":
    if options["silence"] is not None:
        if options["full_scale"] is None:
            raise PlanError(
                "a silent recording tells the room's level only with --full-scale, or give "
                "--room-noise by a level meter."
            )
        return heard_silence(
            options["silence"],
            channel=options["microphone_channel"],
            full_scale_db=options["full_scale"],
        )
    if options["room_noise"] is None:
        return None
    return RoomNoise(level_db=options["room_noise"], about="by a level meter")


@click.command()
@click.argument("session", type=click.Path(path_type=Path))
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@one_line_errors
def intake(session: Path, recordings: tuple[Path, ...], *, as_json: bool) -> None:
    """File the sweeps and multitones of RECORDINGS as captures of a planned SESSION.

    RECORDINGS are WAV or FLAC files or folders of them, of any name, in any order, one long
    recording as well. They are only read; one that can't be used stops nothing. Exit code 0 where
    all was found, 3 where something is missing or doubtful.

    \b
    Example:
      upheld intake marram-12 marram-12/recordings
    """
    read_planned_session(session)  # before anything is made in a wrong folder
    say = None if as_json or not sys.stderr.isatty() else lambda name: echo(name, err=True)
    with lock.only_run(session / memory.FOLDER, what="upheld intake"):
        done = take_in(session, recordings, progress=say)
    if as_json:
        outcome = {
            "filed": dict(done.filed),
            "missing": list(done.missing),
            "doubtful": list(done.doubtful),
            "left_out": list(done.left_out),
        }
        echo_json(outcome)
    else:
        for capture, source in done.filed:
            echo(f"{capture}  from {source}")
        for line in done.missing:
            echo(f"missing: {line}")
        for line in done.doubtful:
            echo(f"doubtful: {line}")
        for line in done.left_out:
            echo(f"left out: {line}")
        echo(f"Filed {len(done.filed)} captures. Next: upheld report {session}")
    sys.exit(3 if done.missing or done.doubtful else 0)
