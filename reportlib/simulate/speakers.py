"""The demo's three invented loudspeakers, and where each was measured.

A coastal town's lending library of things tests the loudspeakers that it lends out. All of it
is made up: no make, no model, no person. Magnitudes are meant to be believable.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from reportlib.session.day import Space
from reportlib.simulate.parts import (
    DriveUnit,
    Harmonic,
    Heat,
    Limiter,
    Loudspeaker,
    Panel,
    Resonance,
    Room,
    Vent,
)
from reportlib.simulate.rig import Chain, Noise


@dataclass(frozen=True, kw_only=True)
class DemoSpeaker:
    """A loudspeaker, the chain that records it, and the facts of its day.

    `about` goes into the session's notes, the other facts into ``session.toml`` as they are.
    """

    name: str
    drive: Literal["passive", "active"]
    use: Literal["desk", "living room", "home cinema", "stage"]
    about: str
    settings: str
    serial: str
    loudspeaker: Loudspeaker
    chain: Chain
    space: Space
    reference_at: Literal["terminals", "loop-back"]
    date: str
    temperature_c: float
    humidity_percent: float
    equipment: tuple[str, ...]
    crossovers_hz: tuple[float, ...]
    rated_impedance_ohm: float | None = None
    sensitivity_db: float | None = None
    drift_db_per_hour: float = 0.0
    """By how much the microphone reads higher each hour."""


def _marram_12() -> DemoSpeaker:
    woofer = DriveUnit(
        name="woofer",
        resistance_ohm=3.3,
        force_factor_tm=6.4,
        mass_kg=0.034,
        resonance_hz=30.0,
        mechanical_q=4.5,
        cone_area_m2=0.033,
        lowpass_hz=450.0,
        half_force_m=0.060,
        vent=Vent(
            tuning_hz=32.0,
            compliance_ratio=1.5,
            quality=18.0,
            port_area_m2=0.011,
            loss_coefficient=0.35,
        ),
        heat=Heat(coil_k_per_w=2.4, coil_j_per_k=2.4, magnet_k_per_w=1.2, magnet_j_per_k=900.0),
    )
    middle = DriveUnit(
        name="middle",
        resistance_ohm=3.3,
        force_factor_tm=4.2,
        mass_kg=0.008,
        resonance_hz=95.0,
        mechanical_q=3.0,
        cone_area_m2=0.0085,
        highpass_hz=450.0,
        lowpass_hz=3200.0,
        heat=Heat(coil_k_per_w=7.6, coil_j_per_k=2.5, magnet_k_per_w=2.0, magnet_j_per_k=420.0),
    )
    tweeter = DriveUnit(
        name="tweeter",
        resistance_ohm=3.3,
        force_factor_tm=2.4,
        mass_kg=0.00035,
        resonance_hz=850.0,
        mechanical_q=1.4,
        cone_area_m2=0.0007,
        pad_db=6.0,
        highpass_hz=3200.0,
        heat=Heat(coil_k_per_w=5.0, coil_j_per_k=0.9, magnet_k_per_w=4.0, magnet_j_per_k=160.0),
    )
    return DemoSpeaker(
        name="Marram 12",
        drive="passive",
        use="living room",
        about="Floor-standing three-way, ported, from shelf 3 of the lending library.",
        settings="grille off, port open",
        serial="LIB-0312",
        loudspeaker=Loudspeaker(
            units=(woofer, middle, tweeter),
            sensitivity_db=84.0,
            distance_m=2.0,
            resonances=(
                Resonance(frequency_hz=240.0, q=3.0, gain_db=0.8),
                Resonance(frequency_hz=1150.0, q=4.0, gain_db=-0.9),
                Resonance(frequency_hz=8300.0, q=3.0, gain_db=0.9),
            ),
            harmonics=(
                Harmonic(order=2, level_db=-44.0, at_drive_db=27.0, rising_below_hz=90.0),
                Harmonic(order=3, level_db=-46.0, at_drive_db=27.0, rising_below_hz=90.0),
                Harmonic(order=4, level_db=-66.0, at_drive_db=27.0, rising_below_hz=60.0),
                Harmonic(order=5, level_db=-64.0, at_drive_db=27.0, rising_below_hz=60.0),
            ),
        ),
        chain=Chain(
            full_scale_db=118.0,
            noise=Noise(white_db=17.0, pink_db=27.0, hum_db=18.0),
            jitter_db=0.015,
            microphone_shelf_db=1.2,
            reference_full_scale_v=60.0,
            reference_noise_db=-104.0,
            converter_bits=18,
        ),
        space="half space",
        reference_at="terminals",
        date="2026-05-04",
        temperature_c=16.5,
        humidity_percent=71.0,
        equipment=("measuring microphone, class 1, flat on the slipway", "amplifier, 2 x 200 W"),
        crossovers_hz=(450.0, 3200.0),
        rated_impedance_ohm=4.0,
        sensitivity_db=84.0,
        drift_db_per_hour=0.04,
    )


def _trivet_6() -> DemoSpeaker:
    woofer = DriveUnit(
        name="woofer",
        resistance_ohm=3.2,
        force_factor_tm=4.7,
        mass_kg=0.0145,
        resonance_hz=42.0,
        mechanical_q=4.0,
        cone_area_m2=0.0135,
        lowpass_hz=2400.0,
        half_force_m=0.013,
        vent=Vent(
            tuning_hz=50.0,
            compliance_ratio=1.3,
            quality=14.0,
            port_area_m2=0.0020,
            loss_coefficient=3.0,
            onset_m_s=20.0,
        ),
        heat=Heat(
            coil_k_per_w=4.4, coil_j_per_k=1.9, magnet_k_per_w=7.0, magnet_j_per_k=90.0, room_c=18.0
        ),
    )
    tweeter = DriveUnit(
        name="tweeter",
        resistance_ohm=3.2,
        force_factor_tm=2.6,
        mass_kg=0.0004,
        resonance_hz=780.0,
        mechanical_q=1.5,
        cone_area_m2=0.0007,
        pad_db=5.0,
        highpass_hz=2400.0,
        heat=Heat(
            coil_k_per_w=6.0,
            coil_j_per_k=0.8,
            magnet_k_per_w=5.0,
            magnet_j_per_k=140.0,
            room_c=18.0,
        ),
    )
    return DemoSpeaker(
        name="Trivet 6",
        drive="passive",
        use="living room",
        about="Two-way on a stand in the boat hall, between the sails; reverberant.",
        settings="no grille",
        serial="LIB-0107",
        loudspeaker=Loudspeaker(
            units=(woofer, tweeter),
            sensitivity_db=85.0,
            distance_m=1.0,
            resonances=(
                Resonance(frequency_hz=620.0, q=5.0, gain_db=-0.7),
                Resonance(frequency_hz=1700.0, q=4.0, gain_db=0.9),
            ),
            harmonics=(
                Harmonic(order=2, level_db=-38.0, at_drive_db=27.0, rising_below_hz=150.0),
                Harmonic(order=3, level_db=-36.0, at_drive_db=27.0, rising_below_hz=150.0),
                Harmonic(order=4, level_db=-58.0, at_drive_db=27.0, rising_below_hz=90.0),
                Harmonic(order=5, level_db=-54.0, at_drive_db=27.0, rising_below_hz=90.0),
            ),
            room=Room(reverberation_s=0.7, reverberant_db=-8.0, seed=6),
        ),
        chain=Chain(
            full_scale_db=122.0,
            noise=Noise(white_db=18.0, pink_db=31.0, hum_db=22.0),
            jitter_db=0.015,
            reference_full_scale_v=60.0,
            reference_noise_db=-104.0,
            voltage_full_scale_v=60.0,
            current_full_scale_a=20.0,
            electrical_noise_db=-96.0,
            converter_bits=18,
        ),
        space="room",
        reference_at="terminals",
        date="2026-05-06",
        temperature_c=18.0,
        humidity_percent=66.0,
        equipment=(
            "measuring microphone, class 1, on a stand",
            "amplifier, 2 x 200 W",
            "voltage divider and current probe at the terminals",
        ),
        crossovers_hz=(2400.0,),
        rated_impedance_ohm=4.0,
        sensitivity_db=85.0,
        drift_db_per_hour=-0.05,
    )


def _samphire_3() -> DemoSpeaker:
    woofer = DriveUnit(
        name="woofer",
        resistance_ohm=3.6,
        force_factor_tm=5.0,
        mass_kg=0.0085,
        resonance_hz=78.0,
        mechanical_q=3.5,
        cone_area_m2=0.0056,
        lowpass_hz=2800.0,
        heat=Heat(coil_k_per_w=1.5, coil_j_per_k=4.6, magnet_k_per_w=2.0, magnet_j_per_k=400.0),
    )
    tweeter = DriveUnit(
        name="tweeter",
        resistance_ohm=3.6,
        force_factor_tm=2.2,
        mass_kg=0.00035,
        resonance_hz=900.0,
        mechanical_q=1.5,
        cone_area_m2=0.0006,
        pad_db=4.0,
        highpass_hz=2800.0,
        heat=Heat(coil_k_per_w=6.0, coil_j_per_k=0.7, magnet_k_per_w=6.0, magnet_j_per_k=120.0),
    )
    return DemoSpeaker(
        name="Samphire 3",
        drive="active",
        use="desk",
        about="Small active two-way with its own amplifiers, for kitchens and workbenches.",
        settings="bass switch at 0, input sensitivity high",
        serial="LIB-0266",
        loudspeaker=Loudspeaker(
            units=(woofer, tweeter),
            sensitivity_db=100.0,
            amplifier_db=15.0,
            resonances=(
                Resonance(frequency_hz=190.0, q=0.9, gain_db=3.0),
                Resonance(frequency_hz=5200.0, q=2.5, gain_db=0.8),
            ),
            panels=(
                Panel(
                    frequency_hz=420.0, q=9.0, full_gain_db=2.8, half_level_db=85.0, steepness=2.5
                ),
            ),
            limiter=Limiter(threshold_db=96.2, ratio=6.0, knee_db=5.0, multitone_db=9.0),
            harmonics=(
                Harmonic(order=2, level_db=-36.0, at_drive_db=27.0, rising_below_hz=200.0),
                Harmonic(order=3, level_db=-34.0, at_drive_db=27.0, rising_below_hz=200.0),
                Harmonic(order=4, level_db=-60.0, at_drive_db=27.0, rising_below_hz=100.0),
                Harmonic(order=5, level_db=-56.0, at_drive_db=27.0, rising_below_hz=100.0),
            ),
        ),
        chain=Chain(
            full_scale_db=120.0,
            noise=Noise(white_db=18.0, pink_db=26.0, hum_db=16.0, hum_hz=50.0),
            jitter_db=0.015,
            reference_full_scale_v=8.0,
            reference_noise_db=-106.0,
            converter_bits=18,
        ),
        space="half space",
        reference_at="loop-back",
        date="2026-05-07",
        temperature_c=15.0,
        humidity_percent=74.0,
        equipment=("measuring microphone, class 1, on the ground of the mooring field",),
        crossovers_hz=(2800.0,),
        drift_db_per_hour=0.03,
    )


SPEAKERS: Mapping[str, DemoSpeaker] = MappingProxyType(
    {"marram-12": _marram_12(), "trivet-6": _trivet_6(), "samphire-3": _samphire_3()}
)
"""The demo's loudspeakers by the name of their folder."""
