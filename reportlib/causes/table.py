"""Every cause in one table: code, plain name, rule, source, and what would settle it.

No one source gives fingerprints as a table; each row names its own. Order is that in which
causes are weighed: what is not the loudspeaker's comes first.
"""

from collections.abc import Callable
from dataclasses import dataclass

from reportlib.causes import instant, instruments, slow, warming
from reportlib.causes.case import Case
from reportlib.causes.evidence import Evidence


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One cause.

    Attributes
    ----------
    code : stable name
    name : in plain words, as a sentence says it
    rule : evidence → cases
    source : where its fingerprint comes from
    to_confirm : the one measurement that would settle it
    instrument : whether it is not the loudspeaker's
    """

    code: str
    name: str
    rule: Callable[[Evidence], list[Case]]
    source: str
    to_confirm: str
    instrument: bool = False


NONE_SHOWN = "none-shown"
NOTHING_TO_CONFIRM = "None: there is nothing to explain."
WHAT_TO_MEASURE = (
    "Repeat the levels at which it shows with steps of 3 dB, and record the stress and the "
    "terminal voltage."
)

CAUSES: tuple[Cause, ...] = (
    Cause(
        code="noise-in-baseline",
        name="noise in the quiet baseline",
        rule=instruments.noise_in_baseline,
        source="arithmetic: noise power adds to the quiet level and not to the loud one",
        to_confirm="Measure the baseline again when it is quieter, or 6 dB louder: it must go.",
        instrument=True,
    ),
    Cause(
        code="microphone-overload",
        name="an overloaded microphone or preamplifier",
        rule=instruments.microphone_overload,
        source="y = x − b·x³ (trigonometry); common practice, no source",
        to_confirm="Repeat at twice the distance: the curve must not change.",
        instrument=True,
    ),
    Cause(
        code="wrong-step",
        name="a volume step that was not made as written",
        rule=instruments.wrong_step,
        source="arithmetic: a gain is the same at all frequencies",
        to_confirm="Record the drive beside the sound (loop-back or terminals).",
        instrument=True,
    ),
    Cause(
        code="drift",
        name="the day’s drift",
        rule=instruments.drift,
        source="baseline, levels, baseline again (common practice, no source)",
        to_confirm="Measure baseline, level and baseline again within a few minutes.",
        instrument=True,
    ),
    Cause(
        code="microphone-moved",
        name="a moved microphone, or a moved reflection",
        rule=instruments.microphone_moved,
        source="interference of a reflection (textbook)",
        to_confirm="Fix the microphone, and compare arrival times at the next measurement.",
        instrument=True,
    ),
    Cause(
        code="limiter-broad",
        name="a limiter that acts on everything",
        rule=instant.limiter_broad,
        source="definition of ratio and threshold",
        to_confirm="Play a loud 60 Hz tone with a quiet 3 kHz one: with this limiter both fall.",
    ),
    Cause(
        code="limiter-band",
        name="a limiter that acts on one band",
        rule=instant.limiter_band,
        source="definition of ratio and threshold, per band",
        to_confirm="Step a loud tone inside the band with a quiet one outside: only it falls.",
    ),
    Cause(
        code="amplifier",
        name="an amplifier that clips or sags",
        rule=instant.amplifier,
        source="Fourier series of a clipped sine",
        to_confirm="Record the voltage at the terminals: it must fall short by as much.",
    ),
    Cause(
        code="port",
        name="turbulent air in the port",
        rule=instant.port,
        source="Salvatti, Devantier & Button 2002; Bezzola, Kubota & Devantier 2020 (abstract)",
        to_confirm="Measure port and cone close up at both levels: the port alone loses.",
    ),
    Cause(
        code="excursion",
        name="a cone at the end of its travel",
        rule=instant.excursion,
        source="Kms(x): IEC 62458:2010 (from memory); cubic spring by harmonic balance",
        to_confirm="Measure the cone’s excursion, or harmonics close to the cone, at both levels.",
    ),
    Cause(
        code="motor-strength",
        name="a motor that weakens as the coil moves far",
        rule=instant.motor_strength,
        source="Bl(x): IEC 62458:2010 (from memory); Small 1972 for damping",
        to_confirm="Measure the impedance at both levels: its peak rises where the motor weakens.",
    ),
    Cause(
        code="loose-part",
        name="a panel that rings or a loose part",
        rule=instant.loose_part,
        source="common practice, no source",
        to_confirm="Press or damp the panels while it plays: the feature must change.",
    ),
    Cause(
        code="crossover-heat",
        name="a warm crossover part or a resettable fuse",
        rule=slow.crossover_heat,
        source="common practice, no source: such fuses trip within seconds and reset in minutes",
        to_confirm="Record the voltage at the drive unit’s own terminals while it plays.",
    ),
    Cause(
        code="heat-coil",
        name="a warm voice coil",
        rule=warming.heat_coil,
        source="Button 1992; annealed copper, Dellinger 1911; Thévenin for “never a gain”",
        to_confirm="Measure the coil’s resistance before and right after the stress.",
    ),
    Cause(
        code="suspension-softening",
        name="a suspension that softened with work",
        rule=slow.suspension_softening,
        source="Knudsen & Jensen 1993; Agerkvist & Pedersen 2008 (abstract)",
        to_confirm="Measure the impedance before and after: its peak must have moved down.",
    ),
    Cause(
        code="heat-magnet",
        name="a warm magnet",
        rule=slow.heat_magnet,
        source="magnet handbooks: ferrite −0.2 %/K, NdFeB −0.11 %/K (from memory)",
        to_confirm="Wait a minute until the coil has cooled: what is left is the magnet’s.",
    ),
)

INSTRUMENTS = frozenset(one.code for one in CAUSES if one.instrument)
"""Codes of what is not the loudspeaker's."""
CAUSE_NAMES = {**{one.code: one.name for one in CAUSES}, NONE_SHOWN: "no cause shown"}
"""Code → plain name, with that of no cause."""
