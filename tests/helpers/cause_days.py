"""Simulated days for the study of causes: what the loudspeaker does, made apart from the rules.

A day is made as transfer functions: change curves are ratios of ``simulate``'s transfer, noise
and spread are drawn from the budgets that the curves then carry, the stress follows the coils of
``simulate.heat``. What the audio chain would add is checked on fewer days (``audio_days``).
`plan` draws a loudspeaker with one cause (or none), `day` measures it.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from reportlib import simulate
from reportlib.session.day import SweepFacts

SWEEP = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=4.0)
COARSE = np.geomspace(25.0, 18000.0, 160)
CAUSES = (
    "limiter-broad", "limiter-band", "heat-coil", "heat-magnet", "excursion", "motor-strength",
    "port", "loose-part", "crossover-heat", "suspension-softening", "amplifier",
    "noise-in-baseline", "microphone-overload", "wrong-step", "drift", "microphone-moved",
)  # fmt: skip
HELD_OUT = "stiffening"
PAIRS = (
    {"excursion", "motor-strength"},
    {"port", "excursion"},
    {"port", "motor-strength"},
    {"excursion", "limiter-band"},
    {"limiter-broad", "amplifier"},
    {"limiter-broad", "wrong-step"},
    {"amplifier", "wrong-step"},
    {"heat-coil", "heat-magnet"},
    {"heat-coil", "crossover-heat"},
    {"suspension-softening", "heat-magnet"},
)
"""What these days' data cannot always part: it counts when both stand, as surely as each other."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """One day before it is measured.

    Attributes
    ----------
    cause : what was built in, ``"none"`` without one
    baseline_again_db : shape of what the baseline moved by at the day's end, dB over frequency
    step_errors_db : level index → by how much less than asked it was raised
    ripple : level index → (delay in s, size) of another reflection
    overload_db : level at the microphone at which it bends; None without
    baseline_noise : (centre_hz, octaves, noise over signal) that the silence did not have
    after : what the loudspeaker has become after the stress
    trips_s : when a fuse opens during the stress
    bends : level index → harmonics (order, over the fundamental's missing share), where
    """

    cause: str
    loudspeaker: simulate.Loudspeaker
    drive: str
    crossovers_hz: tuple[float, ...]
    reference: str
    lowest_hz: float
    levels_db: tuple[float, ...]
    long_levels_db: tuple[float, ...]
    stages_s: tuple[float, ...]
    takes: int
    recorded: bool
    again: bool
    mid_snr_db: float
    baseline_again_db: float = 0.0
    drift_tilt: float = 0.0
    step_errors_db: dict = field(default_factory=dict)
    ripple: dict = field(default_factory=dict)
    overload_db: float | None = None
    baseline_noise: tuple | None = None
    after: simulate.Loudspeaker | None = None
    trips_s: float | None = None
    harmonic_share: tuple[float, float, float] = (0.0, 0.0, 0.0)
    told: bool = True
    held_out: dict | None = None


def ordinary(rng):
    """Return a loudspeaker without a fault worth naming, its kind and its crossovers."""
    ways = int(rng.choice([1, 2, 2, 3]))
    fs = float(rng.uniform(35.0, 85.0))
    re = float(rng.uniform(3.2, 6.4))
    mass = float(rng.uniform(0.009, 0.040))
    qes = float(rng.uniform(0.32, 0.6))
    vent = None
    if rng.random() < 0.5:
        vent = simulate.Vent(
            tuning_hz=fs * float(rng.uniform(0.85, 1.15)),
            compliance_ratio=float(rng.uniform(0.8, 2.0)),
            quality=float(rng.uniform(8.0, 18.0)),
            port_area_m2=float(rng.uniform(0.0015, 0.006)),
        )
    crossovers = {1: (), 2: (float(rng.uniform(1700, 3200)),)}.get(
        ways, (float(rng.uniform(300, 600)), float(rng.uniform(2400, 3600)))
    )
    edges = (None, *crossovers, None)

    def heat(to_magnet, joule):
        return simulate.Heat(
            coil_k_per_w=0.12 * to_magnet,
            coil_j_per_k=4.0 * joule,
            magnet_k_per_w=0.4,
            magnet_j_per_k=600.0,
        )

    units = []
    for index in range(ways):
        top = index == ways - 1 and ways > 1
        own = {
            "name": ("woofer", "middle", "tweeter")[index],
            "highpass_hz": edges[index],
            "lowpass_hz": edges[index + 1],
            "resistance_ohm": re,
        }
        if index == 0:
            own |= {
                "mass_kg": mass,
                "resonance_hz": fs,
                "force_factor_tm": float(np.sqrt(2 * np.pi * fs * mass * re / qes)),
                "mechanical_q": float(rng.uniform(2.5, 6.0)),
                "cone_area_m2": float(rng.uniform(0.008, 0.035)),
                "vent": vent,
                "heat": heat(4.0, float(rng.uniform(2.0, 8.0))),
            }
        elif top:
            own |= {
                "mass_kg": 0.0004,
                "resonance_hz": float(rng.uniform(600, 1100)),
                "force_factor_tm": 2.6,
                "mechanical_q": 1.5,
                "cone_area_m2": 0.0007,
                "pad_db": float(rng.uniform(2.0, 6.0)),
                "heat": heat(14.0, float(rng.uniform(0.3, 1.0))),
            }
        else:
            own |= {
                "mass_kg": 0.008,
                "resonance_hz": 95.0,
                "force_factor_tm": 4.2,
                "mechanical_q": 3.0,
                "cone_area_m2": 0.0085,
                "heat": heat(9.0, float(rng.uniform(1.5, 3.0))),
            }
        units.append(simulate.DriveUnit(**own))
    resonances = tuple(
        simulate.Resonance(
            frequency_hz=float(np.exp(rng.uniform(np.log(150), np.log(9000)))),
            q=float(rng.uniform(0.7, 4.0)),
            gain_db=float(rng.uniform(-2.5, 2.5)),
        )
        for _ in range(3)
    )
    return simulate.Loudspeaker(
        units=tuple(units),
        sensitivity_db=float(rng.uniform(83.0, 90.0)),
        resonances=resonances,
    ), crossovers


def change_db(loudspeaker, frequency_hz, *, drive_db, base=0.0):
    """Return output against drive, cold, against the baseline's, in dB."""
    loud, quiet = (
        np.abs(simulate.transfer(loudspeaker, frequency_hz, drive_db=one))
        for one in (drive_db, base)
    )
    return 20.0 * np.log10(loud / quiet)


def strong_enough(
    make: Callable[[float], simulate.Loudspeaker], *, drive_db, target_db, span, from_hz=45.0
):
    """Return `make(x)` whose largest change at `drive_db`, from `from_hz` up, is `target_db`."""
    low, high = np.log(span)
    told = COARSE[from_hz <= COARSE]
    for _ in range(12):
        middle = 0.5 * (low + high)
        worst = np.max(np.abs(change_db(make(np.exp(middle)), told, drive_db=drive_db)))
        low, high = (middle, high) if worst < target_db else (low, middle)
    return make(np.exp(0.5 * (low + high)))


def with_unit(loudspeaker, index, **changes):
    """Return a loudspeaker with one unit changed."""
    units = list(loudspeaker.units)
    units[index] = replace(units[index], **changes)
    return replace(loudspeaker, units=tuple(units))


def plan(cause, seed):
    """Draw a day with one cause, or ``"none"``."""
    rng = np.random.default_rng([seed, sum(map(ord, cause))])
    loudspeaker, crossovers = ordinary(rng)
    active = cause in ("limiter-broad", "limiter-band") or rng.random() < 0.3
    if cause in ("heat-coil", "heat-magnet", "crossover-heat"):
        active = rng.random() < 0.15
    ladder = ((6, 12, 18, 24, 27), (6, 12, 18, 21, 24, 27), (6, 12, 18, 24))[rng.integers(3)]
    levels = tuple(72.0 + rise for rise in ladder)
    top = levels[-1] - 72.0
    low_cause = cause in (
        "port",
        "excursion",
        "motor-strength",
        HELD_OUT,
        "suspension-softening",
        "heat-magnet",
    )
    gate_hz = 20.0 if low_cause else float(rng.choice([20.0, 20.0, 40.0, 150.0, 333.0]))
    made = Plan(
        cause=cause,
        loudspeaker=loudspeaker,
        drive="active" if active else "passive",
        crossovers_hz=crossovers if rng.random() < 0.85 else (),
        reference=str(
            rng.choice(["loop-back", ""] if active else ["terminals", "terminals", "loop-back", ""])
        ),
        lowest_hz=gate_hz,
        levels_db=levels,
        long_levels_db=((82.0, 92.0), (92.0,), (86.0, 94.0))[rng.integers(3)],
        stages_s=((30.0, 90.0), (60.0,), (30.0, 90.0, 480.0))[rng.integers(3)],
        takes=int(rng.integers(1, 4)),
        recorded=bool(rng.random() < 0.65),
        again=bool(rng.random() < 0.7),
        mid_snr_db=float(rng.uniform(50.0, 66.0)),
    )
    if cause == "none":
        return made
    target = float(rng.uniform(1.0, 4.0))
    return _MAKERS[cause](made, rng, target=target, top=top)


def _limiter_broad(made, rng, *, target, top):
    law = {"ratio": float(rng.choice([2.5, 4.0, 8.0, np.inf])), "knee_db": float(rng.uniform(0, 5))}

    def make(below):
        return replace(
            made.loudspeaker,
            limiter=simulate.Limiter(threshold_db=112.0 - below, **law),
        )

    return replace(
        made,
        loudspeaker=strong_enough(
            make, drive_db=top, target_db=target, span=(1, 40), from_hz=1.1 * made.lowest_hz
        ),
    )


def _limiter_band(made, rng, *, target, top):
    low, high = (
        (20.0, rng.uniform(70, 150)),
        (rng.uniform(2000, 4000), 20000.0),
        (rng.uniform(250, 500), rng.uniform(1200, 2500)),
    )[rng.integers(3)]
    law = {"ratio": float(rng.choice([2.5, 4.0, 8.0, np.inf])), "knee_db": float(rng.uniform(0, 4))}

    def make(below):
        band = simulate.BandLimiter(
            low_hz=float(low),
            high_hz=float(high),
            limiter=simulate.Limiter(threshold_db=115.0 - below, **law),
        )
        return replace(made.loudspeaker, band_limiters=(band,))

    return replace(
        made,
        lowest_hz=20.0 if low < 100 else made.lowest_hz,
        loudspeaker=strong_enough(
            make,
            drive_db=top,
            target_db=max(target, 1.5),
            span=(1, 60),
            from_hz=max(45.0, 1.1 * made.lowest_hz) if low > 100 else 45.0,
        ),
    )


def _heat_coil(made, rng, *, target, top):
    target = min(target, 3.5)
    edges = (*made.loudspeaker.units[1:], None)  # a unit of which something can be told
    seen = [
        index
        for index, above in enumerate(edges)
        if above is None or above.highpass_hz > 2.5 * max(made.lowest_hz, 60.0)
    ]
    index = int(rng.choice(seen))
    unit = made.loudspeaker.units[index]
    drive = made.long_levels_db[-1] - 72.0
    tones = stress_tones()
    low, high = np.log(0.05), np.log(400.0)
    for _ in range(14):
        middle = 0.5 * (low + high)
        heat = replace(unit.heat, coil_k_per_w=float(np.exp(middle)), magnet_k_per_w=0.3)
        tau = float(rng.uniform(3.0, 25.0)) if _ == 0 else tau  # noqa: F821
        heat = replace(heat, coil_j_per_k=tau / heat.coil_k_per_w)
        made_now = with_unit(made.loudspeaker, index, heat=heat)
        end = simulate.heated(
            made_now,
            simulate.cold(made_now),
            frequency_hz=tones[np.newaxis],
            volt=np.full((40, tones.size), made_now.unit_voltage(drive) / np.sqrt(tones.size)),
            step_s=sum(made.stages_s) / 40,
        ).end
        loss = 20 * np.log10(1 + heat.rise_per_k * end.coil_k[index])
        low, high = (middle, high) if loss < target else (low, middle)
    return replace(made, loudspeaker=made_now)


def _heat_magnet(made, rng, *, target, top):
    share = float(rng.uniform(0.07, 0.12))
    return replace(
        made,
        stages_s=(300.0, 1500.0),
        after=simulate.weakened(made.loudspeaker, unit=0, share=share),
    )


def _excursion(made, rng, *, target, top):
    def make(inverse):
        return with_unit(made.loudspeaker, 0, stop_m=1.0 / inverse)

    return replace(
        made,
        loudspeaker=strong_enough(make, drive_db=top, target_db=target, span=(20, 20000)),
        harmonic_share=(
            float(rng.uniform(0.05, 0.3)),
            float(rng.uniform(0.3, 0.6)),
            float(rng.uniform(0.15, 0.3)),
        ),
    )


def _motor(made, rng, *, target, top):
    def make(inverse):
        return with_unit(made.loudspeaker, 0, half_force_m=1.0 / inverse)

    return replace(
        made,
        loudspeaker=strong_enough(make, drive_db=top, target_db=target, span=(2, 5000)),
        harmonic_share=(float(rng.uniform(0.1, 0.4)), float(rng.uniform(0.2, 0.5)), 0.05),
    )


def _port(made, rng, *, target, top):
    unit = made.loudspeaker.units[0]
    vent = unit.vent or simulate.Vent(
        tuning_hz=unit.resonance_hz * float(rng.uniform(0.85, 1.15)),
        compliance_ratio=float(rng.uniform(0.8, 2.0)),
        quality=float(rng.uniform(8.0, 18.0)),
    )
    onset = float(rng.uniform(5.0, 12.0))

    def make(loss):
        return with_unit(
            made.loudspeaker, 0, vent=replace(vent, loss_coefficient=loss, onset_m_s=onset)
        )

    return replace(
        made,
        loudspeaker=strong_enough(make, drive_db=top, target_db=target, span=(0.02, 300)),
        harmonic_share=(0.02, float(rng.uniform(0.05, 0.2)), 0.02),
    )


def _loose_part(made, rng, *, target, top):
    hz = float(np.exp(rng.uniform(np.log(max(130.0, 1.6 * made.lowest_hz)), np.log(3000))))
    panel = simulate.Panel(
        frequency_hz=hz,
        q=float(rng.uniform(4.0, 14.0)),
        full_gain_db=float(rng.choice([-1, 1])) * (1.5 + target),
        half_level_db=float(made.levels_db[-1] - rng.uniform(0.0, 9.0)),
        steepness=float(rng.uniform(1.5, 4.0)),
    )
    return replace(made, loudspeaker=replace(made.loudspeaker, panels=(panel,)))


def _crossover_heat(made, rng, *, target, top):
    index = len(made.loudspeaker.units) - 1
    if index == 0:
        return _two_way(made, rng, target)
    loss = float(rng.uniform(3.0, 9.0))
    ohm = made.loudspeaker.units[index].resistance_ohm * (10 ** (loss / 20.0) - 1.0)
    return replace(
        made,
        after=simulate.tripped(made.loudspeaker, unit=index, series_ohm=float(ohm)),
        trips_s=float(rng.uniform(6.0, 0.8 * sum(made.stages_s))),
    )


def _two_way(made, rng, target):
    for _ in range(50):
        loudspeaker, crossovers = ordinary(rng)
        if crossovers:
            break
    again = replace(made, loudspeaker=loudspeaker, crossovers_hz=crossovers)
    return _crossover_heat(again, rng, target=target, top=0.0)


def _softening(made, rng, *, target, top):
    share = float(rng.uniform(0.12, 0.25))
    low = np.geomspace(32.0, 300.0, 60)
    before = np.abs(simulate.small_signal(made.loudspeaker, low))
    while True:  # at least so much that it shows at the lowest frequencies that can be told
        after = simulate.softened(made.loudspeaker, unit=0, share=share)
        gain = 20.0 * np.log10(np.abs(simulate.small_signal(after, low)) / before)
        if gain.max() > 0.9 or share > 0.45:
            return replace(made, after=after)
        share += 0.03


def _amplifier(made, rng, *, target, top):
    volt = np.sqrt(2.0) * made.loudspeaker.unit_voltage(top)

    def make(over):
        return replace(made.loudspeaker, amplifier=simulate.Amplifier(ceiling_v=float(volt / over)))

    return replace(
        made, loudspeaker=strong_enough(make, drive_db=top, target_db=target, span=(1.0, 5.0))
    )


def _noise(made, rng, *, target, top):
    low = rng.random() < 0.6
    centre = (
        float(rng.uniform(1.2, 3.0) * max(made.lowest_hz, 25.0))
        if low
        else float(rng.uniform(9000, 16000))
    )
    ratio = 10 ** (target / 10.0) - 1.0
    return replace(made, baseline_noise=(centre, float(rng.uniform(0.5, 1.5)), ratio))


def _overload(made, rng, *, target, top):
    return replace(made, overload_db=target, told=bool(rng.random() < 0.85))


def _wrong_step(made, rng, *, target, top):
    error = float(rng.choice([-1, 1])) * float(rng.uniform(0.8, 3.0))
    count = len(made.levels_db)
    kind = rng.integers(3)
    which = range(count) if kind == 0 else [int(rng.integers(count - 1))]
    return replace(made, reference="", step_errors_db=dict.fromkeys(which, error))


def _drift(made, rng, *, target, top):
    return replace(
        made,
        again=True,
        baseline_again_db=float(rng.choice([-1, 1])) * float(rng.uniform(0.5, 2.0)),
        drift_tilt=float(rng.uniform(-0.5, 0.5)),
    )


def _moved(made, rng, *, target, top):
    size = float(rng.uniform(0.08, 0.25))
    delay = float(np.exp(rng.uniform(np.log(0.4e-3), np.log(4e-3))))
    from_level = int(rng.integers(len(made.levels_db)))
    last = len(made.levels_db) if rng.random() < 0.6 else from_level + 1
    return replace(
        made,
        ripple=dict.fromkeys(range(from_level, last), (delay, size)),
        told=bool(rng.random() < 0.75),
    )


def _stiffening(made, rng, *, target, top):
    """The held-out family: its own mechanics, in a closed box with one woofer."""
    for _ in range(50):
        if made.loudspeaker.units[0].vent is None:
            break
        made = replace(made, loudspeaker=ordinary(rng)[0])
    return replace(made, crossovers_hz=(), held_out={"target_db": target})


_MAKERS = {
    "limiter-broad": _limiter_broad,
    "limiter-band": _limiter_band,
    "heat-coil": _heat_coil,
    "heat-magnet": _heat_magnet,
    "excursion": _excursion,
    "motor-strength": _motor,
    "port": _port,
    "loose-part": _loose_part,
    "crossover-heat": _crossover_heat,
    "suspension-softening": _softening,
    "amplifier": _amplifier,
    "noise-in-baseline": _noise,
    "microphone-overload": _overload,
    "wrong-step": _wrong_step,
    "drift": _drift,
    "microphone-moved": _moved,
    HELD_OUT: _stiffening,
}


def stress_tones():
    """Return the tones of the stress, six an octave."""
    return np.geomspace(32.0, 16000.0, 54)
