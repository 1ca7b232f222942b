"""The long-term stress while it plays: tone by tone, how it heats, and how it cools.

    tones         the multitone's tones, and what one period says of them
    stream        a long recording, a few periods at a time
    start         where the multitone starts in it
    reading       its periods, each with its neighbours' help
    periods       one recording, period by period
    joined        the stages of a level in a row
    groups        bands, 1/3 octaves, drive units
    tracks        their change over time, with their thermal fits
    since_cold    each tone's and each 1/3 octave's change
    rows          the same as curves for the data file
    history       stages and pauses of one level, and the periods that were read
    fit           the thermal fit of a group of tones, `thermal_fit`
    recovery      what the sweep after a stage saw of it, `recoveries`
    impedance     where voltage and current tell one coil's resistance
    cold_start    a warming quantity followed back to the start
    electrical    the coil's temperature

and behind the fit

    model_curves  the low-pass of "playing or not", averaged over periods
    correlated    inner products under noise whose neighbours are correlated
    candidates    a grid of time constants, solved for cold level and losses
    weighing      the grid narrowed and weighed
    feedback      what falling power does to the shape of a loss
    estimate      the likeliest fit
    draws         what follows from the weighed grid
    unseen        slow heating that a short record does not show
    steps         a step that no heating makes
    described     the record that comes of it
"""

from reportlib.soak.electrical import coil_track
from reportlib.soak.fit import thermal_fit
from reportlib.soak.groups import tone_groups
from reportlib.soak.history import History
from reportlib.soak.joined import joined
from reportlib.soak.periods import StressTones, stress_tones
from reportlib.soak.reading import ClocksDifferError
from reportlib.soak.recovery import recoveries
from reportlib.soak.rows import multitone_curves
from reportlib.soak.since_cold import third_track, tone_changes
from reportlib.soak.tones import Played, played_tones
from reportlib.soak.tracks import group_track

__all__ = [
    "ClocksDifferError",
    "History",
    "Played",
    "StressTones",
    "coil_track",
    "group_track",
    "joined",
    "multitone_curves",
    "played_tones",
    "recoveries",
    "stress_tones",
    "thermal_fit",
    "third_track",
    "tone_changes",
    "tone_groups",
]
