"""Sessions of impulse responses that somebody else divided: the same curves as from the sweeps."""

import json
import re
from functools import cache

import jsonschema
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from scipy.signal import butter, sosfilt, sosfreqz

from reportlib.cli import main
from reportlib.errors import ReportError
from reportlib.judge.analysis import analyse
from reportlib.many.comparison import compare
from reportlib.session.day import SweepFacts
from reportlib.session.parameters import ReportParameters
from reportlib.session.reading import read_session
from reportlib.simulate import sweep_signal
from reportlib.write.data import results_schema

RATE = 48000
SWEEP = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=1.0)
PLAYED = np.pad(0.1 * sweep_signal(SWEEP, sample_rate_hz=RATE), RATE // 2)
DRIVES_DB = (0.0, 10.0, 20.0)
LOST = {0.0: 0.0, 10.0: 0.05, 20.0: 0.2}  # share of the bass, by drive
FACTS = """\
format = 1
[speaker]
name = "Marram 12"
drive = "active"
[rig]
distance_m = 1.0
space = "free field"
[sweep]
start_hz = 20.0
stop_hz = 20000.0
"""
WHOLE, BASS = (
    butter(2, [40, 18e3], "bandpass", fs=RATE, output="sos"),
    butter(1, 200, fs=RATE, output="sos"),
)


@cache
def heard(drive_db, take=0):
    """Return what a loudspeaker that loses bass makes of the sweep, and some noise."""
    sound = sosfilt(WHOLE, PLAYED)
    sound = 10.0 ** (drive_db / 20.0) * (sound - LOST[drive_db] * sosfilt(BASS, sound))
    return sound + 1e-5 * np.random.default_rng([take, int(drive_db)]).standard_normal(sound.size)


@cache
def impulse(drive_db, take=0):
    """Return the sweep's answer over the stimulus, 0.1 s before the arrival to 0.9 s after it."""
    x, y = np.fft.rfft(PLAYED), np.fft.rfft(heard(drive_db, take))
    hz = np.fft.rfftfreq(PLAYED.size, 1 / RATE)
    floor = np.where((hz >= 20) & (hz <= 20e3), 1e-6, 1.0) * np.median(np.abs(x)) ** 2
    return np.roll(np.fft.irfft(y * x.conj() / (np.abs(x) ** 2 + floor)), RATE // 10)[:RATE]


def day(folder, *, key="impulse_responses", made=impulse, facts=FACTS, more=""):
    """Write a day of one take a level and the baseline once more."""
    (folder / "captures").mkdir(parents=True)
    entries = ""
    for drive in DRIVES_DB:
        soundfile.write(folder / f"captures/{drive:g}.wav", made(drive), RATE, subtype="DOUBLE")
        entries += f"[[short_term]]\nlevel_db = {72 + drive}\ndrive_db = {drive}\n"
        entries += f'{key} = ["captures/{drive:g}.wav"]\n'
    soundfile.write(folder / "captures/again.wav", made(0.0, 1), RATE, subtype="DOUBLE")
    entries += f'[[baseline_again]]\n{key} = ["captures/again.wav"]\n'
    (folder / "session.toml").write_text(facts + entries + more)
    return folder


def analysed(folder):
    return analyse(read_session(folder), parameters=ReportParameters(session=str(folder)))


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    folder = tmp_path_factory.mktemp("swept") / "a"
    facts = FACTS + 'duration_s = 1.0\nstimulus = "played.wav"\n'
    day(folder, key="captures", made=heard, facts=facts)
    soundfile.write(folder / "played.wav", PLAYED, RATE, subtype="DOUBLE")
    return analysed(folder)


NOISE = "[impulse]\nnoise_from_s = 0.7\nnoise_to_s = 1.0\n"


@pytest.mark.parametrize("said", ["", "duration_s = 1.0\n", f"duration_s = 1.0\n{NOISE}"])
def test_impulse_responses_give_the_curves_of_their_sweeps(tmp_path, swept, said):
    report = analysed(day(tmp_path / "a", facts=FACTS + said))
    for curve, other in zip(report.short_term, swept.short_term, strict=True):
        known = curve.usable & other.usable
        assert np.count_nonzero(known) > 0.9 * other.frequency_hz.size
        assert np.max(np.abs(curve.change_db - other.change_db)[known]) < 0.01
        _, bass = sosfreqz(BASS, curve.frequency_hz, fs=RATE)
        clear = known & (curve.frequency_hz > 60.0) & (curve.frequency_hz < 15e3)
        truth_db = 20.0 * np.log10(np.abs(1.0 - LOST[curve.level_db - 72.0] * bass))
        assert np.max(np.abs(curve.change_db - truth_db)[clear]) < 0.01
        assert curve.source == "sweep"
        assert curve.lower_bound == (NOISE not in said)
        ratio = np.median(curve.budget.noise_db[clear] / other.budget.noise_db[clear])
        assert ratio == pytest.approx(float(NOISE in said), abs=0.1)
    codes = {note.code for note in report.quality}
    assert ("uncertainty-lower-bound" in codes) == (NOISE not in said)
    assert {"levels-as-asked", "steps-not-measured"} <= codes
    assert not codes & {"clock-unknown", "hum", "noise-with-signal", "low-signal"}
    assert not report.harmonics


@pytest.mark.parametrize("said", ["", NOISE])
def test_impulse_responses_take_a_place_beside_others_where_their_noise_is_known(
    tmp_path, swept, said
):
    report = analysed(day(tmp_path / "a", facts=FACTS + said))
    found = compare([report, swept], names=["a", "b"])
    assert ("noise not known" in {one.kind for one in found.hindrances}) == (not said)
    assert bool(found.rankings) == bool(said)
    assert not any("text" in one.words for one in found.hindrances)


def sweeps_instead(drive_db, take=0):
    return heard(drive_db, take)


def normalised(drive_db, take=0):
    return impulse(drive_db, take) / np.abs(impulse(drive_db, take)).max()


def cut(drive_db, take=0):
    made = impulse(drive_db, take)
    return made[: np.argmax(np.abs(made)) + 20]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"made": sweeps_instead}, r"0\.wav is no impulse response: half .* passes in 0\.4. s"),
        ({"made": normalised}, "drive rose by up to 20 dB and this impulse response hardly did"),
        ({"made": cut}, r"captures/0\.wav ends where its sound arrives"),
        (
            {"facts": f"{FACTS}{NOISE.replace('1.0', '1.5')}"},
            "holds no noise alone from 0.7 to 1.5",
        ),
        ({"facts": f"{FACTS}{NOISE.replace('0.7', '0.0')}"}, "its sound arrives at 0.1 s"),
        ({"facts": f"{FACTS}{NOISE.replace('0.7', '0.9')}"}, "0.15 s of noise are needed"),
        ({"facts": f"{FACTS}{NOISE.replace('0.7', '1.0')}"}, "expected a stretch of time"),
        (
            {"facts": f"{FACTS}[impulse]\nnoise_to_s = 1.0\n"},
            "noise_from_s is missing in .impulse.",
        ),
        ({"facts": FACTS.replace("stop_hz = 20", "stop_hz = 30")}, "above half the captures"),
        (
            {"facts": FACTS[: FACTS.index("[sweep]")]},
            "needed where a capture is an impulse response",
        ),
        ({"key": "captures"}, r"duration_s is missing in \[sweep\]"),
        (
            {"more": 'captures = ["captures/again.wav"]\n'},
            "holds both captures and impulse_responses",
        ),
        (
            {"more": "[[baseline_again]]\n"},
            r"captures is missing in \[\[baseline_again\]\] entry 2",
        ),
        (
            {"more": '[[baseline_again]]\ncaptures = ["captures/0.wav"]\n'},
            "is audio, but captures/0.wav is an impulse response.* Name impulse responses",
        ),
        (
            {"more": '[[baseline_again]]\nimpulse_responses = ["captures/0.txt"]\n'},
            "impulse_responses in .* expected a file whose name ends in .wav or .flac",
        ),
    ],
)
def test_what_is_wrong_with_impulse_responses_is_one_line(tmp_path, changes, words):
    with pytest.raises(ReportError) as caught:
        analysed(day(tmp_path / "a", **changes))
    assert re.search(words, str(caught.value))
    assert "\n" not in str(caught.value)


LONG = """\
[[long_term]]
level_db = 90.0
drive_db = 18.0
sweep_drive_db = 10.0
impulse_responses = ["captures/before.wav"]
[[long_term.stage]]
stress_s = 60.0
pause_s = 2.0
impulse_responses = ["captures/after.wav"]
"""


def test_a_day_of_impulse_responses_is_reported_whole(tmp_path):
    folder = day(tmp_path / "marram-12", more=LONG)
    for name, lost_db in (("before", 0.0), ("after", 0.7)):
        made = 10.0 ** (-lost_db / 20.0) * impulse(10.0, 2)
        soundfile.write(folder / f"captures/{name}.wav", made, RATE, subtype="DOUBLE")
    result = CliRunner().invoke(main, ["report", str(folder)])
    assert result.exit_code == 0, result.output
    document = json.loads((folder / "out/data/results.json").read_text("utf-8"))
    jsonschema.validate(document, results_schema())
    assert {one["mean_db"] for one in document["bands"] if one["test"] == "long_term"} == {-0.7}
    page = (folder / "out/report.html").read_text("utf-8")
    assert "as impulse responses" in page
    assert "lower bound" in page
    assert "text file" not in page
    assert "sweep, compared" not in page
