"""Coverage on loudspeakers integrated in time: a few days in the suite, the study as a benchmark.

The whole study (``-m benchmarks -n 0 -s``) writes `tests/studies/integrated.md`. Its seeds are not
those that were tuned on (below 50000).
"""

import integrated_days
import numpy as np
import pytest
import studies
from integrated_days import BESIDE, Fineness, loudspeaker, played, study, truth_db, written

LOW_END = Fineness(rate=12000, stop_hz=4500.0)
FINE, COARSE = range(81000, 81096), range(82000, 82240)
METHOD = f"""\
Loudspeakers integrated in time (`tests/helpers/integrated_days.py`), which share nothing with the
simulation and the analysis: {len(FINE)} days up to 20 kHz and {len(COARSE)} up to 4.5 kHz, sweeps
of 4 s to 20 kHz, from 20 Hz at once or swelling up to there, drives up to 24 dB above the baseline,
one to three takes. Truth has no gate, noise, room and microphone. What a day can't show is drawn as
the analysis assumes it, all normal: takes 0.05 dB, a step without a reference 0.1 dB, one with a
reference 0.02 dB. "still": days whose takes and steps are exact. The share of usable points inside
their 95 % interval, in brackets with days resampled, then the share usable and the days:"""
REMARK = """\
Above 40 Hz an interval is as wide as what is assumed of takes and steps: where days are still,
more than 99.9 % of points lie inside."""


def _jobs(seeds, fineness, stills):
    return [(range(first, first + BESIDE), fineness, stills) for first in seeds[::BESIDE]]


def test_a_loudspeaker_that_follows_everything_changes_nothing(monkeypatch):
    follows = {"reach": 1e3, "stiffens": 1e3, "turbulence": 0.0, "limit": np.inf, "to_ambient": 0.0}

    def linear(seed):
        rows, crossover_hz = loudspeaker(seed)
        return [{**row, **follows} for row in rows], crossover_hz

    monkeypatch.setattr(integrated_days, "loudspeaker", linear)
    quick = Fineness(rate=12000, stop_hz=4500.0, growth_s=0.1)
    assert np.abs(truth_db(played((3,), quick)[1], quick)).max() < 1e-3


def test_below_40_hz_the_interval_holds_what_the_gate_hides():
    result = study([(range(60008, 60016), LOW_END, (True,))], workers=1)
    low = result["still", (20, 40)]
    assert low.share > 0.95  # 0.85 where only the gate's end is moved
    assert low.usable > 0.45
    assert result["still", (160, 500)].share > 0.97


@pytest.mark.benchmarks
def test_whole_study():
    jobs = _jobs(FINE, Fineness(), (False, True)) + _jobs(COARSE, LOW_END, (False,))
    studies.keep(
        "integrated",
        "Does a 95 % interval hold on loudspeakers integrated in time?",
        METHOD,
        written(study(jobs)),
        REMARK,
    )
