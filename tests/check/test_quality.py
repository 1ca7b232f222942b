"""Each fault of a measuring day, simulated, is found and named, with the capture it befell.

Sizes and seeds here are not those that the thresholds were tuned on. What no test can know from
outside: thresholds are common practice, no source, where their comment names none.
"""

import numpy as np
import pytest
from faults import (
    ASKED,
    RATE,
    SWEEP,
    automatic_gain,
    burst,
    clipped,
    cut,
    day,
    everywhere,
    hum,
    moved,
    notes,
    only,
    reference_clipped,
    softened,
    steps_smaller,
    worse,
)

from reportlib import simulate
from reportlib.errors import AnalysisError
from reportlib.judge.analysis import analyse
from reportlib.measure.sweep import SweepLaw

LAW = SweepLaw(start_hz=SWEEP.start_hz, stop_hz=SWEEP.stop_hz, duration_s=SWEEP.duration_s)


def found(folder, *, seed=701, **facts):
    return notes(day(folder, seed=seed, **facts))


def of(code, found_notes):
    return [note for note in found_notes if note.code == code]


@pytest.mark.parametrize(
    ("speaker", "share", "levels"),
    [
        ("trivet-6", 0.6, ["99"]),
        pytest.param("marram-12", 0.85, ["99"], marks=pytest.mark.slow),
        pytest.param("samphire-3", 0.9, ["99"], marks=pytest.mark.slow),
    ],
)
def test_flat_tops_below_full_scale(tmp_path, speaker, share, levels):
    # One ceiling for the whole day: only what reaches it is cut.
    tops = {}

    def change(name, microphone, reference):
        tops[name] = np.max(np.abs(microphone))
        ceiling = share * {"marram-12": 0.0765, "trivet-6": 0.140, "samphire-3": 0.090}[speaker]
        return clipped(ceiling)(microphone, reference)

    got = found(tmp_path, speaker=speaker, change=change)
    wanted = [("flat-tops", f"captures/{level}-{take}.wav") for level in levels for take in "ab"]
    assert worse(got) == wanted
    assert "microphone’s channel" in got[0].message
    assert tops["99-a"] > 1.02 * tops["90-a"]


@pytest.mark.parametrize("share", [0.93])
def test_flat_tops_of_the_drive(tmp_path, share):
    got = found(tmp_path, change=only(["99"], reference_clipped(share)))
    assert [one for one in worse(got) if one[0] == "flat-tops"] == [
        ("flat-tops", "captures/99-a.wav"),
        ("flat-tops", "captures/99-b.wav"),
    ]
    assert "reference channel" in of("flat-tops", got)[0].message


def test_clipping_at_full_scale(tmp_path):
    change = everywhere(lambda microphone, reference: (np.clip(20 * microphone, -1, 1), reference))
    got = found(tmp_path, change=change)
    assert ("clipped", "captures/99-a.wav") in worse(got)
    assert not of("clipped", [one for one in got if "72" in one.capture])
    assert not of("flat-tops", got)  # said once


def clipped_in(stretch_hz):
    """A recorder that clips while the sweep passes a stretch, and only there."""

    def fault(microphone, reference):
        first, last = (round(RATE * (0.5 + LAW.time_s(hz))) for hz in stretch_hz)
        microphone = microphone.copy()
        microphone[first:last] = np.clip(40.0 * microphone[first:last], -1.0, 1.0)
        return microphone, reference

    return fault


@pytest.mark.parametrize("reference", [True, False])
def test_points_that_a_clipped_capture_touches_are_left_out_and_say_so(tmp_path, reference):
    """Both takes clip between 400 and 800 Hz."""
    change = only(["99"], clipped_in((400.0, 800.0)))
    session = day(tmp_path, seed=31, change=change, reference=reference)
    analysis = analyse(session, parameters=ASKED)
    for curve in analysis.short_term:
        hz = curve.frequency_hz
        touched = np.array(curve.reason) == "clipped"
        assert touched.any() == (curve.level_db == 99.0)
        assert not curve.usable[touched].any()
        if curve.level_db == 99.0:
            assert touched[(hz > 420.0) & (hz < 760.0)].all()
            # 20 ms of this sweep are an eighth of an octave, and a cell is a twelfth wide
            assert not touched[(hz < 400.0 / 1.25) | (hz > 800.0 * 1.25)].any()


@pytest.mark.parametrize(
    ("speaker", "ceiling", "one_sided"),
    [
        ("marram-12", 0.07, False),
        ("trivet-6", 0.11, True),
        ("samphire-3", 0.05, False),
        pytest.param("marram-12", 0.07, True, marks=pytest.mark.slow),
        pytest.param("trivet-6", 0.11, False, marks=pytest.mark.slow),
        pytest.param("samphire-3", 0.05, True, marks=pytest.mark.slow),
    ],
)
def test_an_overloaded_microphone_bends_the_waveform(tmp_path, speaker, ceiling, one_sided):
    change = everywhere(softened(ceiling, one_sided=one_sided))
    got = found(tmp_path, speaker=speaker, change=change, takes=1)
    assert ("overload", "captures/99-a.wav") in worse(got)
    assert {code for code, _ in worse(got)} <= {"overload"}
    message = of("overload", got)[-1].message
    assert ("one side" in message) is one_sided
    assert "looks like" in message


@pytest.mark.parametrize(
    ("speaker", "share", "reference"),
    [
        ("marram-12", 0.2, False),
        ("trivet-6", 0.07, True),
        ("samphire-3", 0.2, True),
        pytest.param("marram-12", 0.07, True, marks=pytest.mark.slow),
        pytest.param("trivet-6", 0.2, False, marks=pytest.mark.slow),
        pytest.param("samphire-3", 0.07, False, marks=pytest.mark.slow),
    ],
)
def test_automatic_gain_that_takes_its_share_of_every_step(tmp_path, speaker, share, reference):
    got = found(
        tmp_path, speaker=speaker, reference=reference, change=steps_smaller(share), takes=1
    )
    assert "automatic-gain" in {code for code, _ in worse(got)}
    assert {code for code, _ in worse(got)} <= {"automatic-gain"}
    assert f"{100 * share:.0f} % of every step" in of("automatic-gain", got)[0].message
    assert ("volume steps" in of("automatic-gain", got)[0].message) is not reference


@pytest.mark.parametrize("speaker", ["samphire-3"])
def test_automatic_gain_that_only_the_loud_sweeps_set_off(tmp_path, speaker):
    change = everywhere(automatic_gain(2.5, threshold=0.012, release_s=3.0))
    got = found(tmp_path, speaker=speaker, change=change, takes=1)
    assert worse(got) == [("automatic-gain", "captures/99-a.wav")]
    assert "quieter than before it" in got[0].message


@pytest.mark.parametrize(("mains_hz", "orders"), [(50, (1, 2, 3)), (60, (2, 3, 4))])
def test_hum_is_named_with_its_mains_and_its_level(tmp_path, mains_hz, orders):
    got = found(tmp_path, change=everywhere(hum(2e-4, mains_hz=mains_hz, orders=orders)), takes=1)
    (note,) = of("hum", got)
    assert f"hum of {mains_hz} Hz" in note.message
    for order in orders:
        assert f"{order * mains_hz} Hz " in note.message
    # A sine of amplitude a stands 20·lg a under full scale; its half and quarter add 1 dB or so.
    rms = 20 * np.log10(2e-4) + 10 * np.log10(sum(0.25**n for n in range(len(orders))))
    level = float(note.message.split("silence, ")[1].split(" dB")[0].replace("−", "-"))
    assert abs(level - rms) < 1.0
    assert not of("hum", found(tmp_path / "clean", takes=1))


@pytest.mark.parametrize(("at_s", "take"), [(1.5, "84-b"), (1.3, "72-b")])
def test_a_burst_is_found_in_its_take_and_moment(tmp_path, at_s, take):
    got = found(tmp_path, change=only([take], burst(0.002, at_s=at_s, seed=31)))
    (note,) = of("noise-burst", got)
    assert note.capture == f"captures/{take}.wav"
    said = float(note.message.split("heard ")[1].split(" s")[0])
    assert abs(said - (at_s + 0.075 - 0.5)) < 0.1  # its middle, after half a second of silence
    assert {code for code, _ in worse(got)} <= {"noise-burst"}
    if take == "72-b":  # the quiet level is moved by it, the loud ones hardly
        assert note.severity == "warning"


def test_a_rattle_in_one_take_is_local(tmp_path):
    # Resonant gain of 1 dB over a third of an octave around 300 Hz in one take, no noise.
    def rattle(microphone, reference):
        spectrum = np.fft.rfft(microphone)
        hz = np.fft.rfftfreq(microphone.size, 1 / RATE)
        bell = np.exp(-((np.log2(np.maximum(hz, 1) / 300.0) / 0.2) ** 2))
        return np.fft.irfft(spectrum * 10 ** (bell / 20), microphone.size), reference

    got = found(tmp_path, change=only(["90-b"], rattle))
    assert [code for code, _ in worse(got)] == ["takes-differ-locally"]
    assert "90 dB" in got[0].message


def test_takes_are_not_held_against_each_other_where_the_sweep_fades(tmp_path):
    # 6 dB at the very end of the sweep, as of a take that met the fade a little earlier.
    def faded(microphone, reference):
        spectrum = np.fft.rfft(microphone)
        hz = np.fft.rfftfreq(microphone.size, 1 / RATE)
        end = np.exp(-((np.log2(np.maximum(hz, 1) / SWEEP.stop_hz) / 0.06) ** 2))
        return np.fft.irfft(spectrum * 10 ** (6 * end / 20), microphone.size), reference

    assert not worse(found(tmp_path, change=only(["90-b"], faded)))


@pytest.mark.parametrize(
    ("low", "high", "reference"),
    [
        ("72", "84", True),
        ("84", "90", False),
        pytest.param("84", "99", True, marks=pytest.mark.slow),
        pytest.param("72", "84", False, marks=pytest.mark.slow),
        pytest.param("84", "99", False, marks=pytest.mark.slow),
    ],
)
def test_two_swapped_captures_are_both_named(tmp_path, low, high, reference):
    asked = {"72": 0.0, "84": 12.0, "90": 18.0, "99": 27.0}
    drives = {f"{low}-b": asked[high], f"{high}-a": asked[low]}
    got = found(tmp_path, drives=drives, reference=reference)
    assert set(worse(got)) == {
        ("captures-swapped", f"captures/{low}-b.wav"),
        ("captures-swapped", f"captures/{high}-a.wav"),
    }
    assert f"captures/{high}-a.wav at {high} dB" in got[0].message + got[1].message


@pytest.mark.parametrize(
    ("take", "drive", "fits", "reference"),
    [("84-b", 18.0, 90, False), ("90-a", 12.0, 84, True), ("90-a", 12.0, 84, False)],
)
def test_a_capture_under_the_wrong_level(tmp_path, take, drive, fits, reference):
    got = found(tmp_path, drives={take: drive}, reference=reference)
    assert worse(got) == [("capture-mislabelled", f"captures/{take}.wav")]
    assert f"fits {fits} dB" in got[0].message


@pytest.mark.parametrize(("off_db", "said"), [(0.16, True), (-0.3, True), (0.1, False)])
def test_a_volume_step_that_was_not_made_as_asked(tmp_path, off_db, said):
    got = found(tmp_path, drives={f"90-{take}": 18.0 + off_db for take in "ab"})
    wanted = [("volume-step-off", "captures/90-a.wav")] if said else []
    assert worse(got) == wanted
    if said:
        assert f"{18 + off_db:.2f} dB (give or take 0.04 dB)" in got[0].message


@pytest.mark.parametrize(
    ("lost_s", "reference"),
    [
        (0.12, True),
        (0.3, False),
        (0.6, True),
        pytest.param(0.6, False, marks=pytest.mark.slow),
    ],
)
def test_a_take_that_starts_late(tmp_path, lost_s, reference):
    got = found(tmp_path, change=only(["84-a"], cut(first_s=0.5 + lost_s)), reference=reference)
    assert worse(got) == [("starts-late", "captures/84-a.wav")]
    text = got[0].message.split(" after its sweep does")[0].split("starts ")[1]
    said_s = float(text.split()[-2]) / (1000.0 if text.endswith("ms") else 1.0)
    assert abs(said_s - lost_s) < max(0.04, 0.1 * lost_s)


@pytest.mark.parametrize(
    ("lost_s", "reference"),
    [
        (0.06, True),
        (0.3, False),
        (0.7, True),
        pytest.param(0.7, False, marks=pytest.mark.slow),
    ],
)
def test_a_take_that_ends_early(tmp_path, lost_s, reference):
    got = found(tmp_path, change=only(["84-b"], cut(last_s=0.6 + lost_s)), reference=reference)
    assert worse(got) == [("ends-early", "captures/84-b.wav")]


@pytest.mark.parametrize("by_m", [0.017, -0.2])
def test_a_moved_microphone_in_millimetres(tmp_path, by_m):
    got = found(tmp_path, change=only(["90", "99"], moved(by_m)))
    assert ("microphone-moved", "captures/90-a.wav") in worse(got)
    (note,) = of("microphone-moved", got)
    said = float(note.message.split("arrives ")[1].split(" mm")[0])
    assert abs(said - 1e3 * abs(by_m)) < 2.0
    assert ("farther" in note.message) == (by_m > 0)
    assert "3 other takes" in note.message


def test_warmer_air_is_no_moved_microphone(tmp_path):
    # 6.5 K at 2 m: 343·√(296.15/289.65) is 1.12 % faster, as 22.1 mm nearer.
    shift = moved(-2.0 * (1.0 - np.sqrt(289.65 / 296.15)))
    facts = {"change": only(["99"], shift), "rig": {"temperature_c": 16.5}}
    got = found(tmp_path / "said", temperatures={72.0: 16.5, 99.0: 23.0}, **facts)
    assert worse(got) == [("temperature", "captures/99-a.wav")]
    got = found(tmp_path / "unsaid", **facts)
    assert worse(got) == [("microphone-moved", "captures/99-a.wav")]


def test_a_knob_behind_the_reference(tmp_path):
    with pytest.raises(AnalysisError, match='volume_at = "after reference"') as caught:
        found(tmp_path / "behind", reference_sees_volume=False, takes=1)
    assert str(caught.value).splitlines() == [str(caught.value)]
    with pytest.raises(AnalysisError, match='volume_at = "before reference"'):
        found(tmp_path / "before", rig={"volume_at": "after reference"}, takes=1)
    said = {"volume_at": "after reference"}
    assert not worse(found(tmp_path / "right", reference_sees_volume=False, rig=said, takes=1))


def test_low_signal_by_band(tmp_path):
    noise = {f"72-{take}": {"noise": simulate.Noise(pink_db=60.0)} for take in "ab"}
    got = found(tmp_path, chains=noise)
    (note,) = of("low-signal", got)
    assert note.severity == "warning"
    assert "bass" in note.message
    assert {code for code, _ in worse(got)} <= {"low-signal"}


def test_noise_that_comes_with_the_signal(tmp_path):
    def chuff(microphone, reference):
        noise = np.random.default_rng(5).standard_normal(microphone.size) * 3e-4
        noise[: int(0.5 * RATE)] = 0.0
        return microphone + noise, reference

    got = found(tmp_path, change=only(["99-a", "99-b"], chuff))
    assert "captures/99-a.wav" in {note.capture for note in of("noise-with-signal", got)}
    assert not of("automatic-gain", got)


@pytest.mark.parametrize(("offset", "severity"), [(0.004, None), (-0.2, "warning")])
def test_an_offset(tmp_path, offset, severity):
    change = only(["84-a"], lambda microphone, reference: (microphone + offset, reference))
    got = of("dc-offset", found(tmp_path, change=change))
    assert [note.severity for note in got] == ([severity] if severity else [])
    if severity:
        assert f"{100 * abs(offset):.1f} %" in got[0].message


def test_heat_left_and_a_gain_that_moved_look_different(tmp_path):
    def warm(microphone, reference):
        # A loss of 0.5 dB below 2 kHz, none above 4 kHz: one coil of two.
        spectrum = np.fft.rfft(microphone)
        hz = np.fft.rfftfreq(microphone.size, 1 / RATE)
        loss_db = 0.5 / (1.0 + (hz / 2800.0) ** 4)
        return np.fft.irfft(spectrum * 10 ** (-loss_db / 20), microphone.size), reference

    got = found(tmp_path / "warm", change=only(["again"], warm))
    assert of("heat-left", got)
    quieter = only(["again"], lambda microphone, reference: (0.92 * microphone, reference))
    got = found(tmp_path / "gain", change=quieter)
    assert ("drift", "") in worse(got)
    assert "as when a gain was changed" in of("drift", got)[0].message
    assert not of("heat-left", got)


@pytest.mark.parametrize(
    ("gate_ms", "space", "severity"), [(6.0, "free field", "warning"), (6.0, "gated", "note")]
)
def test_a_gate_too_short_for_the_bass(tmp_path, gate_ms, space, severity):
    rig = {"gate_ms": gate_ms, "space": space}
    (note,) = of("gate-too-short", found(tmp_path, rig=rig, takes=1))
    assert note.severity == severity
    assert "below 330 Hz" in note.message or "below 333 Hz" in note.message


def test_a_door_that_slams_louder_than_the_sweep(tmp_path):
    got = found(tmp_path, change=only(["72-b"], burst(0.01, at_s=1.2, seed=33)))
    assert worse(got)[0][0] in {"no-sweep", "noise-burst"}
    assert {capture for _, capture in worse(got)} == {"captures/72-b.wav"}
