"""The long-term stress: how a loudspeaker heats while the multitone plays, and how it cools.

    history       stages and pauses of one level, and the periods that were read
    fit           the thermal fit of a group of tones, `thermal_fit`
    recovery      what the sweep after a stage saw of it, `recoveries`
    electrical    the coil's resistance and temperature from voltage and current

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

from reportlib.soak.fit import thermal_fit
from reportlib.soak.history import History
from reportlib.soak.recovery import recoveries

__all__ = ["History", "recoveries", "thermal_fit"]
