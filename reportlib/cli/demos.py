"""``upheld demo``: simulated measuring days of invented loudspeakers."""

from pathlib import Path

import click

from reportlib.cli.shared import SPEAKERS, echo, one_line_errors, status
from reportlib.simulate.demo import make_demo


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--speaker",
    type=click.Choice(SPEAKERS),
    multiple=True,
    help="Which of the invented loudspeakers; all three by default.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the noise.")
@click.option(
    "--stage",
    "stages_s",
    type=click.FloatRange(1.0, 3600.0),
    multiple=True,
    help="Seconds of one long-term stage; give it once a stage.  [default: 30, 90]",
)
@click.option(
    "--takes",
    type=click.IntRange(1, 5),
    default=2,
    show_default=True,
    help="Takes of each short-term level.",
)
@click.option(
    "--record-stress",
    "recorded_db",
    type=float,
    multiple=True,
    help="Long-term level at which the stress itself is recorded.  [default: 82 and 92]",
)
@one_line_errors
def demo(
    folder: Path,
    *,
    speaker: tuple[str, ...],
    seed: int,
    stages_s: tuple[float, ...],
    takes: int,
    recorded_db: tuple[float, ...],
) -> None:
    """Make simulated measuring days of invented loudspeakers in FOLDER.

    \b
    Example:
      upheld demo my-demo --speaker trivet-6
    """
    for name in speaker or SPEAKERS:
        with status(f"simulating {name}"):
            made = make_demo(
                folder / name,
                speaker=name,
                seed=seed,
                stages_s=stages_s or (30.0, 90.0),
                takes=takes,
                record_stress=recorded_db or True,
            )
        echo(f"Made {made}. Next: upheld report {made}")
