"""Tone by tone while it plays, against a simulated loudspeaker that heats as we say.

Truth is the simulation's (see `soaking`). The whole study (``-m benchmarks -n 0 -s``) takes 100
recordings a row; its seeds are not those that were tuned on (below 1000).
"""

import numpy as np
import pytest
from soaking import (
    COLD,
    HOT,
    PERIOD_S,
    band_truth_db,
    level_of,
    multitone,
    read,
    recorded,
    tracks_of,
    truth_db,
)

from reportlib import simulate
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.tracks import tone_changes

PERIODS = 40
STRESS_S = PERIODS * PERIOD_S
HUM = {"hum_db": 70.0, "white_db": 50.0}
NOISES = {
    "white": {"white_db": 62.0},
    "hum": HUM,
    "hum at 49.7 Hz": {**HUM, "hum_hz": 49.7},
}


def soaked(loudspeaker, *, periods, seed, noise, **chain):
    """Return a level, its groups and tones, and the tones' truth."""
    channels = recorded(
        loudspeaker, periods=periods, seed=seed, noise=simulate.Noise(**noise), **chain
    )
    tones = read(channels, stress_s=periods * PERIOD_S)
    true_db = truth_db(loudspeaker, centre_s=tuple(tones.centre_s), duration_s=periods * PERIOD_S)
    return level_of(tones), true_db


def band_errors(*, noise=None, seed=1001, **chain):
    """Return error and u95 of each band's change at the stress's end."""
    level, true_db = soaked(
        HOT, periods=PERIODS, seed=seed, noise=noise or {"white_db": 50.0}, **chain
    )
    tracks, tones = tracks_of(level)
    found = {}
    for band in BANDS:
        track = next(one for one in tracks if one.name == band.name)
        high_hz = min(band.high_hz, multitone().frequency_hz[-1])
        expected = band_truth_db(true_db[-1], low_hz=band.low_hz, high_hz=high_hz)
        assert expected < -1.5
        found[band.name] = track.change_db[-1] - expected, track.u95_db[-1]
    return found, tones.change_db[-1] - true_db[-1], tones.u95_db[-1]


def test_the_loss_at_the_end_is_found_by_band_and_by_tone():
    """Tones about the upper crossover, 2800 Hz, follow two coils, of about 9 s and 4 s."""
    bands, tones, u95 = band_errors()
    for name, (error, band_u95) in bands.items():
        assert abs(error) < 0.1, name
        assert band_u95 < 0.3, name
    assert np.max(np.abs(tones)) < 0.15
    assert np.mean(np.abs(tones) <= u95) > 0.9


def test_without_a_reference_it_is_found_through_another_clock():
    level, true_db = soaked(
        HOT,
        periods=8,
        seed=1003,
        noise={"white_db": 50.0},
        reference=False,
        drift_ppm=40.0,
    )
    first = int(level.usable.argmax())
    error = tone_changes((), level=level).change_db - (true_db - true_db[first])
    assert np.min(true_db[-1] - true_db[first]) < -0.8
    assert np.max(np.abs(error[-1])) < 0.1


def test_heating_passes_for_neither_noise_nor_distortion():
    """Tones that lose 0.1 dB and more within a period lean over into the bins beside them."""
    quiet = simulate.Noise(white_db=40.0)
    beside_db = []
    for loudspeaker in (HOT, COLD):
        channels = recorded(loudspeaker, periods=8, seed=1005, noise=quiet)
        tones = read(channels, stress_s=8 * PERIOD_S)
        beside_db.append(10.0 * np.log10(tones.beside.sum(axis=1)))
    hot_db, cold_db = beside_db
    assert np.max(np.abs(hot_db - cold_db)[2:]) < 1.0


def covered(loudspeaker, *, noise, seeds, periods=12, **chain):
    """Return the share of changes inside their interval: (recordings, tones), and widest u95."""
    hits, told = [], []
    for seed in seeds:
        level, true_db = soaked(loudspeaker, periods=periods, seed=seed, noise=noise, **chain)
        # against the first period: no fit has a say
        found = tone_changes((), level=level)
        first = int(level.usable.argmax())
        error = found.change_db - (true_db - true_db[first])
        hits.append((np.abs(error) <= found.u95_db)[first + 1 :].mean(axis=0))
        told.append(np.mean(found.u95_db[first + 1 :] <= 0.5))
    return np.array(hits), float(np.mean(told))


@pytest.mark.parametrize("noise", ["white", "hum"])
def test_intervals_of_tones_hold_small(noise):
    hits, told = covered(COLD, noise=NOISES[noise], seeds=range(2000, 2006))
    assert 0.92 < hits.mean() < 0.98
    assert told > 0.9


@pytest.mark.benchmarks
def test_loss_at_the_end_over_clocks():
    print("\nworst error of a band's change at the end of 20 s of stress, dB, and of a tone's:")
    for name, chain in {
        "reference": {},
        **{
            f"{ppm:+g} ppm": {"reference": False, "drift_ppm": ppm}
            for ppm in (40.0, -40.0, 150.0, -150.0)
        },
    }.items():
        bands, tones, _ = band_errors(seed=3203, **chain)
        worst = max(bands, key=lambda band: abs(bands[band][0]))
        print(f"  {name}: {bands[worst][0]:+.3f} ({worst}), tone {np.max(np.abs(tones)):.3f}")


@pytest.mark.benchmarks
def test_coverage_of_tones():
    print("\nshare of tones' changes inside their 95 % interval (by recordings; share usable):")
    another_clock = {"reference": False, "drift_ppm": 40.0}
    for name, noise in NOISES.items():
        for kind, loudspeaker, chain in (
            ("cold, reference", COLD, {}),
            ("cold, no reference, 40 ppm", COLD, another_clock),
            ("heating, reference", HOT, {}),
        ):
            hits, told = covered(
                loudspeaker, noise=noise, seeds=range(11000, 11100), periods=8, **chain
            )
            rng = np.random.default_rng(1)
            again = [hits[rng.integers(0, len(hits), len(hits))].mean() for _ in range(400)]
            low, high = np.quantile(again, (0.025, 0.975))
            single = 100.0 * hits.mean(axis=0)
            print(
                f"  {name}, {kind}: {100 * hits.mean():.1f} % ({100 * low:.1f} to "
                f"{100 * high:.1f}; {100 * told:.0f} %), single tones {single.min():.0f} to "
                f"{single.max():.0f} %",
                flush=True,
            )
