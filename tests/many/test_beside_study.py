"""How often a comparison ranks what is equal, and how small a difference it finds: two tables."""

import numpy as np
import pytest
from scipy.stats import t
from side_by_side import measured, static, track

from reportlib.many.equal_output import Estimate, change_at, partings
from reportlib.many.ranking import limit_rankings, output_rankings
from reportlib.measure.levels import BANDS

pytestmark = pytest.mark.benchmarks

LADDERS = (
    (78.0, 84.0, 90.0, 96.0, 99.0), (77.0, 82.0, 87.0, 92.0, 97.0), (80.0, 88.0, 96.0, 102.0),
    (75.0, 81.0, 87.0, 93.0, 98.0),
)  # fmt: skip
U_DB = 0.08


def day(name, *, ladder, x0, a, rng, only=None):
    """Return one session's tracks: the static law with noise; `only` in one band, if given."""
    levels = np.array([72.0, *ladder])
    found = []
    for band in BANDS:
        error = U_DB * np.array([0.0, *rng.standard_normal(len(ladder))])
        own = a if only in (None, band.name) else 0.0
        change = error - static(levels, x0=x0, a=own)
        found.append(track(levels, change, u95_db=1.96 * U_DB, name=name, band=band.name))
    return found


def test_how_often_equal_values_are_ranked():
    rng, runs = np.random.default_rng(90210), 400
    print("\nequal values, five bands: comparisons with any false place")
    for count, dof in ((2, np.inf), (3, 6.0), (5, 6.0), (8, 3.0), (8, 1.5)):
        wrong = 0
        for _ in range(runs):
            estimates = [{} for _ in BANDS]
            for own in estimates:
                for index in range(count):
                    known = np.isinf(dof)
                    scale = 1.0 if known else np.sqrt(rng.chisquare(dof) / dof)
                    half = 0.1 * scale * (1.959964 if known else t.ppf(0.975, dof))
                    own[str(index)] = Estimate(
                        value_db=0.1 * rng.standard_normal(), down_db=half, up_db=half, dof=dof
                    )
            family = len(BANDS) * count * (count - 1) // 2
            wrong += any(partings(own, family=family) for own in estimates)
        print(f"{count} sessions, {dof:g} degrees of freedom: {100.0 * wrong / runs:4.1f} %")
        assert wrong / runs < 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / runs)


def test_how_often_one_law_on_other_ladders_is_ranked():
    rng, runs = np.random.default_rng(90211), 300
    sessions = [measured(name) for name in "ABCD"]
    print("\none static law, four ladders: false places at equal output, by limits")
    for x0, a in ((100.0, 0.0), (88.0, 0.35), (91.0, 0.8), (95.0, 0.9)):
        wrong = np.zeros(2)
        for _ in range(runs):
            tracks = [
                one
                for name, ladder in zip("ABCD", LADDERS, strict=True)
                for one in day(name, ladder=ladder, x0=x0, a=a, rng=rng)
            ]
            for question, rank in enumerate((output_rankings, limit_rankings)):
                wrong[question] += any(one.partings for one in rank(tracks, sessions=sessions))
        print(f"knee {x0:g} dB, {a:g} lost above: {100.0 * wrong / runs} %")
        assert np.all(wrong / runs < 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / runs))


def test_how_small_a_difference_is_found():
    rng, runs = np.random.default_rng(90212), 200
    sessions = [measured(name) for name in "AB"]
    levels = np.array([72.0, *LADDERS[0]])
    print(f"\ntwo sessions, half-widths {1.96 * U_DB:.2f} dB: parted in the bass")
    for a in (0.01, 0.02, 0.03, 0.05, 0.1):
        found, differences = 0, []
        for _ in range(runs):
            tracks = [
                *day("A", ladder=LADDERS[0], x0=84.0, a=0.0, rng=rng),
                *day("B", ladder=LADDERS[0], x0=84.0, a=a, rng=rng, only="bass"),
            ]
            bass = output_rankings(tracks, sessions=sessions)[0]
            found += bool(bass.partings)
            exact = track(levels, -static(levels, x0=84.0, a=a))
            differences.append(-change_at(exact, min(bass.at_db, exact.given_db[-1])).value_db)
        print(f"{np.mean(differences):.2f} dB apart: {100.0 * found / runs:3.0f} %")
