"""Coverage of the 95 % interval: a small study in the suite, the whole one as a benchmark.

The whole study (``-m benchmarks -n 0 -s``) runs 200 days a stratum and writes
`tests/studies/coverage.md`. Its seeds are not those that were tuned on (below 50000).
"""

import itertools

import numpy as np
import pytest
import studies
from coverage_days import TAKES, study, written

DAYS = range(71000, 71200)
METHOD = f"""\
{len(DAYS)} simulated days a stratum (`tests/measure/test_coverage.py`): takes × reference or not
× six bands × gate × noise, each day a random loudspeaker and noise level. Truth is ungated. The
share of usable points inside their interval, lowest to highest over bands and reference, and in
brackets the share usable (a 6 ms gate leaves nothing below 333 Hz):"""
REMARK = """\
Takes differ by 0.05 dB in these days, which is also what is assumed where nothing was repeated."""


@pytest.mark.parametrize("days", [8, pytest.param(24, marks=pytest.mark.slow)])
def test_small_study(days):
    seeds = range(60000, 60000 + days)
    result, over_all = study(seeds, noises=("hum",), references=(True,), workers=1)
    assert over_all.low < 0.95 < over_all.high  # the interval over these days
    assert over_all.share > 0.92
    told = [found for found in result.values() if found.usable > 0.0]
    assert len(told) > 30
    assert all(found.high > 0.93 for found in told)
    for takes, more in itertools.pairwise(TAKES):
        usable, with_more = (
            np.mean([one.usable for stratum, one in result.items() if stratum.takes == n])
            for n in (takes, more)
        )
        assert with_more >= usable - 0.01


@pytest.mark.benchmarks
def test_whole_study():
    result, over_all = study(DAYS)
    told = [100.0 * found.share for found in result.values() if found.usable > 0.0]
    studies.keep(
        "coverage",
        "Does a 95 % interval hold 95 times in 100?",
        METHOD,
        written(result),
        f"Over all: {100 * over_all.share:.1f} %, with days resampled {100 * over_all.low:.1f} to "
        f"{100 * over_all.high:.1f} %. The {len(told)} strata of {len(result)} that have usable "
        f"points lie between {min(told):.1f} and {max(told):.1f} %.\n{REMARK}",
    )
