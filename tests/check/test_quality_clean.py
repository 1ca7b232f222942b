"""A clean day gives no warning: not with any of the demo's losses, noises, rigs or takes.

False alarms are counted over 108 days (run with -m slow); with none the rate lies below 2.8 %
with 95 % confidence (1 − 0.05^(1/108), the exact binomial bound).
"""

from dataclasses import replace

import pytest
from faults import SPEAKERS, day, notes, worse

from reportlib import simulate

NOISES = (
    None,
    simulate.Noise(white_db=22.0),
    simulate.Noise(pink_db=30.0),
)
LADDERS = ((72.0, 84.0, 99.0), (72.0, 90.0, 96.0), (75.0, 87.0, 93.0))


def false_alarms(tmp_path, *, speaker, reference, days):
    alarms = []
    for number in days:
        noise = NOISES[number % 3]
        chain = {} if noise is None else {"noise": noise}
        names = [f"{level:g}-{take}" for level in LADDERS[number // 3 % 3] for take in "ab"]
        session = day(
            tmp_path / str(number),
            speaker=speaker,
            seed=9000 + number,
            levels_db=LADDERS[number // 3 % 3],
            reference=reference,
            takes=1 + number // 9 % 2,
            again=number % 2,
            chains=dict.fromkeys((*names, "again-a"), chain),
            long_term=number == 5,
        )
        alarms += [(number, *one) for one in worse(notes(session))]
    print(f"{speaker}, {'with' if reference else 'without'} reference: {len(days)} days, ", end="")
    print(f"{len(alarms)} false alarms")
    return alarms


@pytest.mark.parametrize(
    ("speaker", "reference", "days"),
    [("marram-12", True, (4,)), ("trivet-6", False, (5,)), ("samphire-3", True, (13,))],
)
def test_clean_days_give_no_warning(tmp_path, speaker, reference, days):
    assert not false_alarms(tmp_path, speaker=speaker, reference=reference, days=days)


@pytest.mark.slow
@pytest.mark.parametrize("reference", [True, False], ids=["reference", "alone"])
@pytest.mark.parametrize("speaker", SPEAKERS)
def test_a_hundred_clean_days_give_no_warning(tmp_path, speaker, reference):
    days = range(18)
    assert not false_alarms(tmp_path, speaker=speaker, reference=reference, days=days)


@pytest.mark.parametrize("speaker", SPEAKERS)
def test_real_losses_at_the_limit_are_the_loudspeakers_own(tmp_path, speaker):
    # Heat and port (Marram), port and suspension (Trivet), limiter and panel (Samphire).
    got = notes(day(tmp_path, speaker=speaker, seed=9100, levels_db=(72.0, 96.0, 102.0, 105.0)))
    assert not worse(got)


def test_a_baseline_that_was_a_little_louder_is_no_automatic_gain(tmp_path):
    # Seen from far above, one offset looks like the same share of every step.
    levels_db = (72.0, 93.0, 96.0)
    chains = {f"72-{take}": {"gain_db": 0.9} for take in "ab"}
    got = notes(day(tmp_path, seed=9200, levels_db=levels_db, chains=chains, again=0))
    assert "automatic-gain" not in {note.code for note in got}


def test_a_place_that_was_loud_once_is_no_automatic_gain(tmp_path):
    loud = replace(SPEAKERS["marram-12"].chain.noise, pink_db=38.0)
    chains = {f"72-{take}": {"noise": loud} for take in "ab"}
    assert "automatic-gain" not in {
        note.code for note in notes(day(tmp_path, seed=9300, chains=chains))
    }
