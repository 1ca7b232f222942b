"""Do the thermal fit's intervals hold? A small study in the suite, the whole one as a benchmark.

The whole study (``-m benchmarks -n 0 -s``) runs 320 days of each kind and writes
`tests/studies/time-constants.md`. Its seeds are not those that were tuned on (below 60000).
"""

import pytest
import studies
from thermal_days import Kind
from thermal_study import NAMES, Count, kinds, row, table, wilson

DAYS = 320
FIRST_SEED = 80000
METHOD = f"""\
{DAYS} simulated days a row (`tests/measure/test_thermal_study.py`), seeds and loudspeakers not
tuned on, noise of 0.01 to 0.04 dB a period whose neighbours correlate by ρ. In percent, with
Wilson's interval; *given*: how often a loss after 10 min is told at all. The truth of a time
constant is a fit to the noiseless simulated loss."""


def holds(count, *, least, most=1.0):
    """Whether a share may lie between two limits, by its own interval."""
    low, high = wilson(count.hits, count.of)
    return high >= least and low <= most


@pytest.mark.parametrize("correlation", [0.0, 0.8])
@pytest.mark.parametrize("synthetic", [True, False], ids=["exponential", "network"])
@pytest.mark.parametrize("days", [12, pytest.param(32, marks=pytest.mark.slow)])
def test_small_study(correlation, synthetic, days):
    kind = Kind("small", record=(4.0, 8.0), synthetic=synthetic, correlation=correlation)
    found = row(kind, seeds=range(60000, 60000 + days))
    for name in ("tau", "loss", "end"):
        assert holds(found[name], least=0.92), (name, str(found[name]))
    assert holds(found["more"], least=0.0, most=0.07)
    assert found["close"].share > 0.9
    assert holds(found["told"], least=0.9)
    assert found["wrong"].hits == 0


@pytest.mark.benchmarks
def test_whole_study():
    rows = []
    together = {rho: Kind("all of them", correlation=rho) for rho in (0.0, 0.5, 0.8)}
    counted = {rho: {name: Count() for name in NAMES} for rho in together}
    for kind in kinds():
        rows.append((kind, row(kind, seeds=range(FIRST_SEED, FIRST_SEED + DAYS), workers=2)))
        print(table(rows).splitlines()[-1], flush=True)
        for name, count in rows[-1][1].items():
            counted[kind.correlation][name].hits += count.hits
            counted[kind.correlation][name].of += count.of
    everything = [*rows, *((kind, counted[rho]) for rho, kind in together.items())]
    studies.keep(
        "time-constants", "Does a time constant's interval hold?", METHOD, table(everything)
    )
    assert not any(found["wrong"].hits for _, found in rows)
    assert max(found["more"].share for _, found in rows) < 0.07
