"""Coverage of the 95 % interval: a small study in the suite, the whole one as a benchmark.

The whole study (``-m benchmarks -n 0 -s``) runs 200 days a stratum; its table stands in
DEVELOPERS.md. Its seeds are not those that were tuned on (below 50000).
"""

import itertools

import numpy as np
import pytest
from coverage_days import TAKES, study, written


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
    result, over_all = study(range(71000, 71200))
    print("\n" + written(result, over_all))
    print(f"over all with days resampled: {over_all.low:.4f} to {over_all.high:.4f}")
