"""Equal output against the simulation's own truth: sweeps analysed, then the drive solved for.

The truth is that of ``days.truth_db``: the loudspeaker's transfer at any drive, smoothed by plain
integration. The drive at which a band gives an output is found by bisection on it, without any
level in between being tested.
"""

from dataclasses import replace

import pytest
from builders import make_analysis
from days import GRID, TWO_WAY, short_day, truth_db
from scipy.optimize import brentq

from reportlib.judge.grades import band_results
from reportlib.many.comparison import compare
from reportlib.measure.levels import BANDS

DRIVES_DB = (8.0, 15.0, 21.0, 26.0)


def analysed(name, *, drives_db, seed):
    """Return the session of a simulated day as an analysis."""
    short = short_day(
        TWO_WAY, drives_db=drives_db, seed=seed, takes=1, assumed_repeatability_db=0.02
    )
    usual = make_analysis(name=name, levels_db=(), long_term_levels_db=())
    return replace(
        usual,
        baseline=replace(short.baseline, calibrated=True, mean_level_db=72.0),
        short_term=short.curves,
        drive_steps=short.steps,
        bands=band_results(short.curves, fraction=12),
        lowest_hz=4.0,
    )


def true_change(band, output_db):
    """Solve drive + change(drive) = output for the band's own truth."""
    cells = GRID[band.holds(GRID)]

    def short_of(drive_db):
        return (
            72.0
            + drive_db
            + truth_db(TWO_WAY, drive_db=drive_db, frequency_hz=cells).mean()
            - output_db
        )

    drive = brentq(short_of, 0.0, DRIVES_DB[-1] + 1.0, xtol=1e-3)
    return output_db - 72.0 - drive


@pytest.fixture(scope="module")
def report():
    """Return one loudspeaker measured twice, on two ladders."""
    return compare(
        [
            analysed("Marram 12", drives_db=DRIVES_DB, seed=611),
            analysed("Trivet 6", drives_db=(10.0, 18.0, 26.0), seed=612),
        ],
        names=["a", "b"],
    )


@pytest.mark.parametrize("band", BANDS, ids=lambda band: band.slug)
def test_the_interval_holds_the_truth_between_the_levels_tested(report, band):
    for output in (84.0, 90.0, 95.0):
        exact = true_change(band, output)
        found = [
            point for point in report.points if (point.band, point.output_db) == (band.name, output)
        ]
        assert len(found) == 2
        for point in found:
            assert point.given == "given"
            assert point.low_db <= exact <= point.high_db, point


def test_one_loudspeaker_on_two_ladders_is_not_ranked_against_itself(report):
    assert report.ranked("equal output")
    assert not any(ranking.partings for ranking in report.rankings)
