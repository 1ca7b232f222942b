"""The plan of a day: ladder, drive, heat, dose, order, against published rules and by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from reportlib.errors import PlanError
from reportlib.judge.exposure import day_dose, niosh_daily_s, osha_dose_percent
from reportlib.measure.sweep import SweepLaw
from reportlib.plan import records
from reportlib.plan.cautions import (
    amount,
    cautions,
    cone_warnings,
    heat_warnings,
    recorder_warnings,
)
from reportlib.plan.day import make_plan
from reportlib.plan.levels import (
    VENTED_DB,
    adiabatic_rise_k,
    cooling_wait_s,
    copper_loss_db,
    copper_rise_k,
    equal_steps_db,
    excursion_level_db,
    excursion_m,
    room_noise,
    self_heat,
    sensitivity_at_volt_db,
    volume_velocity_m3_s,
)
from reportlib.plan.page import plan_page
from reportlib.plan.records import PlanRequest, RoomNoise, Woofer
from reportlib.session.day import Calibration, Channels, Rig, Speaker, SweepFacts

SPEAKER = Speaker(
    name="Marram 12",
    drive="passive",
    crossovers_hz=(450.0, 3200.0),
    rated_impedance_ohm=4.0,
    rated_power_w=150.0,
    sensitivity_db=84.0,
)
REQUEST = PlanRequest(
    speaker=SPEAKER,
    rig=Rig(distance_m=1.0, space="free field", reference_at="terminals"),
    channels=Channels(microphone=1, reference=2),
    calibration=Calibration(full_scale_db=118.0),
    sweep=SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=4.0),
    date="2026-05-04",
    baseline_db=72.0,
    top_db=99.0,
)


def speaker(**facts):
    return replace(REQUEST, speaker=replace(SPEAKER, **facts))


def levels(plan):
    return [level.level_db for level in plan.sweeps]


@given(st.floats(30.0, 90.0), st.floats(0.1, 60.0))
def test_a_ladder_rises_in_equal_steps_and_meets_the_top(baseline_db, rise_db):
    ladder = equal_steps_db(baseline_db, top_db=baseline_db + rise_db)
    steps = np.diff(ladder)
    assert ladder[0] == baseline_db
    assert ladder[-1] == baseline_db + rise_db
    np.testing.assert_allclose(steps[:-1], 6.0, rtol=0, atol=1e-9)
    assert 0.0 < steps[-1] <= 6.0 + 0.06


def test_the_baseline_stands_30_db_over_the_rooms_noise():
    """At the microphone: 3 m away that asks for 9.54 dB more at 1 m."""
    request = replace(
        REQUEST,
        baseline_db=None,
        room_noise=RoomNoise(level_db=33.2, about="by a level meter"),
        rig=Rig(distance_m=3.0, space="free field"),
    )
    assert levels(make_plan(request))[0] == math.ceil(33.2 + 30.0 + 9.54)
    indoors = replace(request, rig=Rig(distance_m=3.0, space="room"), top_db=90.0)
    assert levels(make_plan(indoors))[0] == 64.0


def test_a_baseline_under_the_rule_is_noted_not_refused():
    plan = make_plan(replace(REQUEST, room_noise=RoomNoise(level_db=50.0, about="meter")))
    assert levels(plan)[0] == 72.0
    assert any("30 dB over the room's noise; the rule asks for 80 dB" in d for d in plan.departures)


def test_own_levels_are_kept_and_noted():
    plan = make_plan(replace(REQUEST, levels_db=(70.0, 85.0, 91.5), top_db=None))
    assert levels(plan) == [70.0, 85.0, 91.5]
    assert [level.drive_db for level in plan.sweeps] == [0.0, 15.0, 21.5]
    assert "The levels are the reviewer's own, not steps of 6 dB." in plan.departures


def test_the_top_stops_at_the_rating_where_none_is_given():
    """150 W into 4 Ω are 24.49 V, 18.75 dB over 2.83 V: 102.7 dB."""
    plan = make_plan(replace(REQUEST, top_db=None))
    assert 84.0 + 20.0 * math.log10(math.sqrt(150.0 * 4.0) / 2.83) == pytest.approx(
        102.75, abs=0.01
    )
    assert levels(plan)[-1] == 102.0


def test_the_top_stops_at_a_working_days_dose_where_somebody_stays():
    loud = replace(
        REQUEST,
        top_db=None,
        stages_s=(600.0, 1800.0),
        speaker=replace(SPEAKER, drive="active", maximum_level_db=118.0),
    )
    plan = make_plan(loud)
    assert plan.dose.niosh_percent <= 100.0
    louder = make_plan(replace(loud, top_db=levels(plan)[-1] + 1.0))
    assert louder.dose.niosh_percent > 100.0
    assert any("NIOSH's working day" in one for one in louder.departures)
    assert levels(make_plan(replace(loud, nobody_in_room=True)))[-1] == 118.0


def test_the_cone_bounds_the_top_and_a_higher_one_is_noted():
    woofer = Woofer(diameter_m=0.13, excursion_m=0.005, from_hz=45.0)
    bound = excursion_level_db(woofer)
    bounded = make_plan(replace(REQUEST, top_db=None, woofer=woofer))
    assert levels(bounded)[-1] == math.floor(bound)
    (why,) = cone_warnings(bounded)
    assert (
        "a cone of 13 cm moves 5 mm to one side at 45 Hz, reckoned as a closed box in free" in why
    )
    assert "of the 150 W rated" in why
    assert "--top goes beyond" in why
    beyond = make_plan(replace(REQUEST, woofer=woofer))
    assert any("a cone of 13 cm moves 5 mm" in one for one in beyond.departures)
    assert cone_warnings(beyond) == ()


def bound_db(*, space="free field", start_hz=20.0, **facts):
    request = replace(
        REQUEST,
        woofer=Woofer(diameter_m=0.13, excursion_m=0.004, from_hz=50.0),
        rig=Rig(distance_m=1.0, space=space),
        speaker=replace(SPEAKER, **facts),
        sweep=replace(REQUEST.sweep, start_hz=start_hz),
    )
    (found,) = [bound for bound in make_plan(request).bounds if bound.kind == "excursion"]
    return found.level_db


def test_the_cones_bound_is_that_of_the_literature():
    """Acoustic power into half space, as a level at 1 m: p² = P·ρ·c/(2π).

    Closed: P = 4π³·ρ/c·f⁴·V_D², V_D the cone's area times its travel to one side (R. H. Small,
    JAES 21(1), 1973). Vented, from its tuning up: P = 3.0·f3⁴·V_D² (JAES 21(6), 1973).
    """
    displaced_m3 = math.pi * 0.065**2 * 0.004

    def at_1_m_db(watt):
        return 10.0 * math.log10(watt * 1.204 * 343.0 / (2.0 * math.pi) / (20e-6) ** 2)

    closed_db = at_1_m_db(4.0 * math.pi**3 * 1.204 / 343.0 * 50.0**4 * displaced_m3**2)
    assert bound_db(space="half space") == pytest.approx(closed_db, abs=0.05)
    assert bound_db() == pytest.approx(closed_db - 6.02, abs=0.05)
    vented = {"enclosure": "vented", "tuning_hz": (50.0,)}
    assert bound_db(**vented) == pytest.approx(bound_db())
    from_tuning_up = bound_db(space="half space", start_hz=50.0, **vented)
    assert from_tuning_up == pytest.approx(at_1_m_db(3.0 * 50.0**4 * displaced_m3**2), abs=0.05)


def test_a_vented_cone_moves_no_more_than_its_bound_says():
    """The displacement of a fourth-order Butterworth box without losses: (s² + 1)/B4(s).

    A closed box at the same frequency moves by 1 at most; above the tuning the bound allows as
    much as moves 10^(−8.4/20) of that, and below it no more than 1.
    """
    _, denominator = signal.butter(4, 1.0, btype="high", analog=True)
    turns = np.geomspace(0.05, 20.0, 4000)
    moved = np.abs((1.0 - turns**2) / np.polyval(denominator, 1j * turns))
    assert np.max(moved) <= 1.0
    swept = moved[turns >= 2.0 ** (-1.0 / 6.0)]  # where the sweep fades in
    assert np.max(swept) < 10.0 ** (-VENTED_DB / 20.0)


def test_below_a_ports_tuning_a_start_or_a_high_pass_is_proposed():
    vented = speaker(enclosure="vented", tuning_hz=(42.5,))
    (said,) = cone_warnings(make_plan(vented))
    assert "start it at 43 Hz (--sweep-start)" in said
    assert "high-pass of 42.5 Hz" in said
    higher = replace(vented, sweep=replace(vented.sweep, start_hz=43.0))
    assert cone_warnings(make_plan(higher)) == ()
    (said,) = cone_warnings(make_plan(speaker(enclosure="passive radiator")))
    assert "give --tuning" in said
    assert cone_warnings(make_plan(speaker(enclosure="closed"))) == ()


def test_in_a_room_the_drive_is_that_of_the_way_to_the_microphone():
    """3 m away in free field: 9.54 dB more than at 1 m; a room may ask for less."""
    near, far = (
        make_plan(replace(REQUEST, top_db=90.0, rig=Rig(distance_m=distance_m, space="room")))
        for distance_m in (1.0, 3.0)
    )
    ratio = far.sweeps[0].terminals.volt / near.sweeps[0].terminals.volt
    assert ratio == pytest.approx(3.0)
    assert near.bounds[0].level_db - far.bounds[0].level_db == pytest.approx(9.54, abs=0.01)


def test_beyond_the_rating_a_plan_is_refused_with_the_reason():
    small = speaker(rated_power_w=20.0)
    with pytest.raises(
        PlanError, match=r"99 dB lies 5\.0 dB beyond .*63\.3 W where 20 W.*93\.9 dB"
    ):
        make_plan(small)
    plan = make_plan(replace(small, beyond_rating="the maker asks for it"))
    assert "Reason given: the maker asks for it" in plan.session.notes
    assert plan.session.notes in plan.departures
    with pytest.raises(PlanError, match="beyond-rating"):
        make_plan(replace(small, beyond_rating="  \n "))


def test_a_maximum_level_bounds_an_active_one_and_the_stress_too():
    active = speaker(drive="active", maximum_level_db=95.0, sensitivity_db=None)
    with pytest.raises(PlanError, match="at most 95 dB by the maker"):
        make_plan(active)
    with pytest.raises(PlanError, match="97 dB lies 2"):
        make_plan(replace(active, top_db=94.0, stress_db=(97.0,)))
    plan = make_plan(replace(active, top_db=94.0))
    assert all(level.terminals is None for level in plan.sweeps)
    page = plan_page(plan, folder="x")
    assert "Volts" not in page.levels.about
    assert not any("true-rms" in one for one in page.volume)


def test_drive_at_the_terminals():
    """84 dB at 2.83 V: 2.0022 W into 4 Ω; the sweep's peak is √2 of it, the multitone's 4 times."""
    plan = make_plan(replace(REQUEST, stress_db=(84.0,)))
    sweep, stress = plan.sweeps[2], plan.stresses[0]
    assert (sweep.terminals.volt, sweep.terminals.watt) == pytest.approx((2.83, 2.83**2 / 4.0))
    assert sweep.terminals.peak_volt == pytest.approx(2.83 * math.sqrt(2.0))
    assert sweep.terminals.amplifier_watt == pytest.approx(sweep.terminals.watt)
    # 12 dB over the average: 15.85 times its power in the peak (10^1.2)
    assert stress.terminals.amplifier_watt == pytest.approx(
        15.849 / 2.0 * stress.terminals.watt, rel=1e-4
    )
    # 1 W into 8 Ω is 2.828 V
    assert sensitivity_at_volt_db(86.0, impedance_ohm=8.0) == pytest.approx(86.0, abs=0.01)


def test_default_stress_peaks_where_the_loudest_sweep_does():
    plan = make_plan(REQUEST)
    peaks = [plan.sweeps[-1].terminals.peak_volt, plan.stresses[0].terminals.peak_volt]
    assert 20.0 * math.log10(peaks[1] / peaks[0]) == pytest.approx(0.0, abs=0.02)


def test_a_small_source_moves_as_much_air_as_the_textbook_says():
    """Computed from p = ρ·f·U/(2·r), 1.204 kg/m³: 18.9 m/s peak in a port of 25 mm radius."""
    velocity = math.sqrt(2.0) * volume_velocity_m3_s(90.0, frequency_hz=40.0) / (math.pi * 0.025**2)
    assert velocity == pytest.approx(18.9, abs=0.2)
    woofer = Woofer(diameter_m=0.2, excursion_m=0.004, from_hz=50.0)
    level_db = excursion_level_db(woofer)
    moved = excursion_m(level_db, area_m2=math.pi * 0.01, frequency_hz=50.0)
    assert moved == pytest.approx(0.004)


@pytest.mark.parametrize(
    ("watt", "coil_j_per_k", "rise_k"), [(50.0, 4.0, 12.5), (10.0, 0.27, 37.0)]
)
def test_a_coil_that_loses_no_heat(watt, coil_j_per_k, rise_k):
    """Energy over heat capacity: kelvin in a second, computed by hand."""
    found = adiabatic_rise_k(watt=watt, seconds=1.0, coil_j_per_k=coil_j_per_k)
    assert found == pytest.approx(rise_k, abs=0.1)


@pytest.mark.parametrize(
    ("rise_k", "loss_db"), [(10, 0.33), (25, 0.81), (50, 1.56), (100, 2.88), (200, 5.04)]
)
def test_copper_by_the_table(rise_k, loss_db):
    """Computed from 20·lg(1 + 0.00393·K): copper from 20 °C (Dellinger 1911)."""
    assert copper_loss_db(rise_k) == pytest.approx(loss_db, abs=0.005)
    assert copper_rise_k(copper_loss_db(rise_k)) == pytest.approx(rise_k)


def test_each_unit_takes_the_energy_of_its_own_range():
    law = SweepLaw(start_hz=20.0, stop_hz=20000.0, duration_s=4.0)
    parts = self_heat(law, watt=10.0, crossovers_hz=(3200.0, 450.0, 90000.0))
    assert [part.unit for part in parts] == ["bass", "middle", "treble"]
    assert sum(part.energy_j for part in parts) == pytest.approx(40.0)
    assert parts[2].rise_k == pytest.approx(
        10.0 * 4.0 * math.log(20000 / 3200) / math.log(1000) / 0.27
    )
    assert self_heat(law, watt=10.0, crossovers_hz=())[0].unit == "whole range"


def test_waits_grow_with_the_heat_and_end_cool():
    law = SweepLaw(start_hz=20.0, stop_hz=20000.0, duration_s=4.0)
    waits = []
    for watt in (0.01, 1.0, 10.0, 50.0):
        parts = self_heat(law, watt=watt, crossovers_hz=(450.0, 3200.0))
        waits.append(cooling_wait_s(parts))
        for part in parts:
            left_k = part.rise_k * math.exp(-waits[-1] / part.coil_s)
            assert copper_loss_db(left_k) <= records.COOL_DB + 1e-9
    assert waits[0] == 10.0
    assert waits == sorted(waits)
    assert cooling_wait_s(()) == 100.0


def test_nobody_waits_where_nothing_gets_warm():
    """59 dB is a milliwatt or so; an active loudspeaker's sensitivity is not known."""
    quiet = replace(
        speaker(drive="active", sensitivity_db=None, maximum_level_db=100.0),
        baseline_db=50.0,
        top_db=59.0,
    )
    for request in (quiet, replace(quiet, speaker=SPEAKER)):
        plan = make_plan(request)
        assert {step.wait_s for step in plan.steps} == {0.0}
        assert "cooling" not in plan_page(plan, folder="x").day.about
    loud = make_plan(replace(quiet, top_db=90.0))
    assert {0.0, 100.0, 600.0, 1200.0} == {step.wait_s for step in loud.steps}


@given(st.floats(1e-4, 1e5))
def test_amounts_are_rounded_to_the_safe_side(value):
    most, limit = (
        float(amount(value, "V", digits=digits, up=up).removesuffix(" V"))
        for digits, up in ((2, True), (3, False))
    )
    slack = 1.0 + 1e-5  # what is on a digit stays there
    assert 0.99 * value <= limit <= slack * value
    assert value / slack <= most <= 1.11 * value


def test_the_recorders_gain_leaves_room_for_the_loudest_and_the_calibrator():
    """Peaks of the sweep at 99 dB are 102 dB, with 6 dB over them; set at 72 + 9 dB: 27 dB less."""
    uncalibrated = replace(REQUEST, calibration=None)

    def gain(request):
        (said,) = [one for one in plan_page(make_plan(request), folder="x").volume if "dBFS" in one]
        return said

    assert "−28 dBFS" in gain(uncalibrated)
    calibrator = Calibration(recording="a.wav", level_db=114.0, frequency_hz=1000.0)
    # a sine of 114 dB peaks at 117 dB, 1 dB below full scale
    assert "−38 dBFS" in gain(replace(REQUEST, calibration=calibrator))
    kinds = [step.kind for step in make_plan(replace(REQUEST, calibration=calibrator)).steps]
    assert kinds[:5] == ["prepare", "volume", "calibrator", "silence", "sweep"]


def test_a_subwoofers_sheet_speaks_of_no_tweeter():
    sub = replace(REQUEST, sweep=SweepFacts(start_hz=15.0, stop_hz=300.0, duration_s=4.0))
    assert not any(
        "tweeter" in f"{title} {text}".lower() for title, text in cautions(make_plan(sub))
    )


def test_hot_sweeps_are_warned_of_with_a_length_that_helps():
    plan = make_plan(replace(REQUEST, top_db=84.0, sweep=replace(REQUEST.sweep, duration_s=20.0)))
    (warning,) = heat_warnings(plan)
    length_s = float(warning.split("A sweep of ")[1].split(" s")[0])
    shorter = replace(REQUEST, top_db=84.0, sweep=replace(REQUEST.sweep, duration_s=length_s))
    assert not heat_warnings(make_plan(shorter))
    assert not heat_warnings(make_plan(speaker(sensitivity_db=None)))


def test_the_plans_dose_is_the_days():
    """As `day_dose` will give it for the very session; OSHA's by the law's own arithmetic."""
    plan = make_plan(REQUEST)
    day = day_dose(plan.session, start_db=72.0, basis="assumed")
    setting = 100.0 * 300.0 / niosh_daily_s(72.0)  # five minutes at the baseline
    assert plan.dose.niosh_percent == pytest.approx(day.niosh_percent + setting)
    sweep_s = plan.session.sweep.duration_s
    assert plan.dose.sounding_s == pytest.approx((6 * 2 + 2 + 2 + 3) * sweep_s + 600.0 + 300.0)
    # 29 CFR 1910.95: 90 dBA for 8 h or 100 dBA for 2 h are all of it, 79 dBA counts nothing
    assert osha_dose_percent([(90.0, 4 * 3600.0), (100.0, 3600.0), (79.0, 1e5)]) == 100.0
    assert osha_dose_percent([(116.0, 1.0)]) == math.inf
    assert niosh_daily_s(plan.dose.loudest_dba) > 0.0


def test_cautions_name_all_that_can_break():
    plan = make_plan(replace(REQUEST, stages_s=(3600.0,), stress_db=(99.0,)))
    text = " ".join(f"{title} {words}" for title, words in cautions(plan)).lower()
    for word in (
        "niosh", "osha", "protectors", "tweeter", "multitone", "clipping", "smell", "smoke",
        "neighbours", "animals", "unattended", "local rules", "qualified",
    ):  # fmt: skip
        assert word in text
    assert cautions(plan)[0][1].startswith("Local rules and qualified people come first")
    needed_db = int(text.split("take off at least ")[1].split(" db")[0])
    niosh = plan.dose.niosh_percent
    assert niosh * 2.0 ** (-needed_db / 3.0) <= 50.0 < niosh * 2.0 ** (-(needed_db - 1) / 3.0)


def test_the_day_is_in_order_and_leaves_time_to_cool():
    plan = make_plan(replace(REQUEST, stress_db=(82.0, 92.0)))
    for one, following in zip(plan.steps, plan.steps[1:], strict=False):
        assert following.at_s >= one.at_s + one.recorded_s + one.wait_s
    kinds = [step.kind for step in plan.steps]
    assert kinds[:3] == ["prepare", "volume", "silence"]
    assert kinds[-1] == "end"
    names = [step.record_to for step in plan.steps if step.record_to]
    assert len(set(names)) == len(names)
    assert plan.steps[kinds.index("stress")].wait_s == 1800.0
    assert [step.level_db for step in plan.steps if step.kind == "stress"] == [82.0, 92.0]


def test_a_silent_recording_gives_its_loudest_third():
    """White noise of known variance: a third octave's share of it, and hum in its own band."""
    rate, chance = 48000, np.random.default_rng(8)
    white = 1e-4 * chance.standard_normal(20 * rate)
    found = room_noise(white, sample_rate_hz=rate, full_scale_db=120.0, source="a.wav")
    width_hz = 10000.0 * (10**0.05 - 10**-0.05)
    expected = 120.0 + 10.0 * math.log10(2.0 * 1e-8 * width_hz / (rate / 2.0))
    assert found.level_db == pytest.approx(expected, abs=0.3)
    hum = white + 1e-2 * np.sin(2.0 * np.pi * 100.0 * np.arange(white.size) / rate)
    found = room_noise(hum, sample_rate_hz=rate, full_scale_db=120.0, source="a.wav")
    assert found.level_db == pytest.approx(120.0 - 40.0, abs=0.2)
    assert "100 Hz" in found.about


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"top_db": 70.0}, "nothing would rise"),
        ({"baseline_db": None}, "there is no baseline"),
        ({"takes": 0}, "0 takes"),
        ({"stages_s": (1.5,)}, "repeats every second"),
        ({"levels_db": (80.0, 70.0)}, "that rise"),
        ({"sample_rate_hz": 400}, "--sample-rate"),
        ({"top_db": 400.0}, "--top is 400: give a number from 20 to 150"),
        ({"baseline_db": math.nan}, "--baseline is nan"),
        ({"stages_s": (math.nan,)}, "repeats every second"),
        ({"stages_s": (math.inf,)}, "repeats every second"),
        ({"stages_s": (2.0,)}, "3 or more"),
        ({"crest_factor_db": math.nan}, "--crest-factor"),
        ({"calibration": Calibration(full_scale_db=math.inf)}, "--full-scale"),
        ({"speaker": replace(SPEAKER, sensitivity_db=math.nan)}, "--sensitivity"),
        ({"speaker": replace(SPEAKER, crossovers_hz=(-1.0,))}, "--crossover is −1"),
        ({"speaker": replace(SPEAKER, name=" ")}, "--name"),
        ({"woofer": Woofer(diameter_m=0.0, excursion_m=0.01, from_hz=40.0)}, "--cone-cm"),
        ({"stress_db": (60.0,)}, "below the baseline"),
        ({"sweep": SweepFacts(start_hz=900.0, stop_hz=100.0, duration_s=1.0)}, "rises"),
        ({"sweep": SweepFacts(start_hz=20.0, stop_hz=2000.0, duration_s=0.0)}, "--sweep-length"),
        ({"rig": Rig(distance_m=1.0, space="gated")}, "--gate-ms"),
        ({"rig": Rig(distance_m=math.nan, space="room")}, "--distance"),
        ({"speaker": replace(SPEAKER, tuning_hz=(50.0,))}, "--enclosure vented"),
        (
            {
                "speaker": replace(SPEAKER, enclosure="open"),
                "woofer": Woofer(diameter_m=0.2, excursion_m=0.01, from_hz=40.0),
            },
            "open baffle",
        ),
    ],
)
def test_what_cannot_be_is_one_line(change, said):
    with pytest.raises(PlanError, match=said) as caught:
        make_plan(replace(REQUEST, **change))
    assert "\n" not in str(caught.value)


def test_a_recorder_that_would_clip_is_warned_of():
    """Peaks of the sweep at 99 dB: 102 dB; a sine that fills the recorder at 98 dB peaks at 101."""
    tight = replace(REQUEST, calibration=Calibration(full_scale_db=98.0))
    (warning,) = recorder_warnings(make_plan(tight))
    assert "102 dB reach the microphone, and the recorder is full at 101 dB" in warning
    assert recorder_warnings(make_plan(REQUEST)) == ()


def test_without_a_rating_there_is_no_top_to_find():
    with pytest.raises(PlanError, match="there is no top"):
        make_plan(replace(speaker(rated_power_w=None), top_db=None))
