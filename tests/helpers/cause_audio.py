"""Days of the causes' study as recordings: sweeps and stress through the whole audio chain.

The demo's way of a day with the planned loudspeaker in it; causes that only a hand or a knob
brings about (a wrong step, a moved microphone) have their own tests on recordings, in the
quality gate's.
"""

import shutil
from dataclasses import replace
from types import MappingProxyType
from unittest import mock

from cause_days import plan

from reportlib import simulate
from reportlib.judge.analysis import analyse
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session
from reportlib.simulate import demo
from reportlib.simulate.demo import make_demo
from reportlib.simulate.speakers import SPEAKERS

AUDIO_CAUSES = (
    "limiter-broad", "limiter-band", "heat-coil", "excursion", "motor-strength", "port",
    "loose-part",
)  # fmt: skip


def audio_day(cause, seed, *, folder):
    """Write a planned day as recordings, analyse it, and return the `Analysis`."""
    made = plan(cause, seed)
    while made.levels_db[-1] != 99.0 or made.long_levels_db != (82.0, 92.0):
        seed += 1_000_000
        made = plan(cause, seed)
    loudspeaker = made.loudspeaker
    if any(made.harmonic_share):
        third = simulate.Harmonic(order=3, level_db=-30.0, at_drive_db=27.0, rising_below_hz=120.0)
        loudspeaker = replace(loudspeaker, harmonics=(third,))
    about = replace(
        SPEAKERS["marram-12"],
        drive=made.drive,
        crossovers_hz=made.crossovers_hz,
        loudspeaker=replace(loudspeaker, distance_m=1.0),
        chain=replace(SPEAKERS["marram-12"].chain, full_scale_db=124.0),
        reference_at="loop-back" if made.drive == "active" else "terminals",
        space="free field",
        drift_db_per_hour=0.02,
    )
    with mock.patch.object(demo, "SPEAKERS", MappingProxyType({"planned": about})):
        make_demo(
            folder, speaker="planned", seed=seed % 100_000, stages_s=made.stages_s[:2], takes=2
        )
    parameters = checked_parameters(session=str(folder))
    analysis = analyse(read_session(folder), parameters=parameters, keep=False)
    shutil.rmtree(folder)
    return analysis
