"""The simulated measuring day: an invented loudspeaker plays, the chain records.

What tests hold the analysis against, and what the demo is made of. It shares no code with the
analysis. `transfer` (for a sweep that warms the coils: `sweep_transfer`) is the exact truth of
a recording without noise: the ratio of two drives is the change that the analysis must find.

    parts         the loudspeaker's parts, as parameters
    unit          one drive unit: filters, box, the coil's movement
    loudspeaker   the whole loudspeaker, as formulas of frequency
    electrical    what it takes from its amplifier
    heat          coils and magnets through the day
    changed       what a day may change in a loudspeaker: suspension, magnet, fuse
    signals       sweeps and multitones
    rig           noise, microphone, converters, clock
    multitone     playing and recording the stress
    sweeps        playing and recording sweeps

Recordings are made by multiplying spectra, padded so that nothing wraps round.
"""

from reportlib.simulate.heat import (
    Heating,
    Temperatures,
    cold,
    cooled,
    heated,
    softened,
    terminal_admittance,
    tripped,
    weakened,
)
from reportlib.simulate.loudspeaker import small_signal, transfer
from reportlib.simulate.parts import (
    Amplifier,
    BandLimiter,
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
from reportlib.simulate.recordings import (
    multitone_heating,
    multitone_sound,
    play_multitone,
    play_silence,
    play_sweep,
    sweep_heating,
    sweep_sound,
    sweep_transfer,
)
from reportlib.simulate.rig import Chain, Noise, Recording, Sound, record
from reportlib.simulate.signals import (
    Multitone,
    multitone_signal,
    sweep_rate_s,
    sweep_signal,
    sweep_time_s,
)

__all__ = [
    "Amplifier",
    "BandLimiter",
    "Chain",
    "DriveUnit",
    "Harmonic",
    "Heat",
    "Heating",
    "Limiter",
    "Loudspeaker",
    "Multitone",
    "Noise",
    "Panel",
    "Recording",
    "Resonance",
    "Room",
    "Sound",
    "Temperatures",
    "Vent",
    "cold",
    "cooled",
    "heated",
    "multitone_heating",
    "multitone_signal",
    "multitone_sound",
    "play_multitone",
    "play_silence",
    "play_sweep",
    "record",
    "small_signal",
    "softened",
    "sweep_heating",
    "sweep_rate_s",
    "sweep_signal",
    "sweep_sound",
    "sweep_time_s",
    "sweep_transfer",
    "terminal_admittance",
    "transfer",
    "tripped",
    "weakened",
]
