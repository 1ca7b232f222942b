"""The sweep that is played: the synchronized exponential one, wider than what is reported.

x(t) = sin(2π·f1·L·e^(t/L)), whose harmonics keep their phase for any start, stop and length
(A. Novak, P. Lotton, L. Simon, JAES 63(10), 2015, 786–798). It begins below the reported band and
ends above it by the same law, and fades there: a fade inside would ripple (S. Müller,
P. Massarani, JAES 49(6), 2001).
"""

import math
from dataclasses import replace

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.day import SweepFacts
from reportlib.errors import PlanError
from reportlib.planning import rules
from reportlib.stimulus import SweepLaw

_HIGHEST = 0.49  # of the sample rate: what a fade may reach
_LEAST_FADE_OCTAVES = 1.0 / 24.0


def played_facts(reported: SweepFacts, *, sample_rate_hz: int) -> SweepFacts:
    """Return the sweep that is played for a reported band, at the same rate through it.

    It is wider by a sixth of an octave at each end, or by less where the sample rate ends
    before; as wide at both, so that the middle of its energy is the middle of its time.

    Raises
    ------
    PlanError
        The sample rate leaves no room above the band.
    """
    room_octaves = math.log2(_HIGHEST * sample_rate_hz / reported.stop_hz)
    if room_octaves < _LEAST_FADE_OCTAVES:
        most_hz = _HIGHEST * sample_rate_hz / 2.0**_LEAST_FADE_OCTAVES
        raise PlanError(
            f"a sweep up to {reported.stop_hz:g} Hz at {sample_rate_hz} samples a second has no "
            f"room to fade out above it. Give --sweep-stop {math.floor(most_hz / 100.0) * 100} or "
            "less, or a higher --sample-rate."
        )
    wider = 2.0 ** min(rules.FADE_OCTAVES, room_octaves)
    start_hz = round(reported.start_hz / wider, 3)
    stop_hz = round(reported.stop_hz * wider, 1)
    rate_s = reported.duration_s / math.log(reported.stop_hz / reported.start_hz)
    return replace(
        reported,
        start_hz=start_hz,
        stop_hz=stop_hz,
        duration_s=round(rate_s * math.log(stop_hz / start_hz), 4),
    )


def played_sweep(
    facts: SweepFacts, *, reported_hz: tuple[float, float], sample_rate_hz: int
) -> FloatArray:
    """Return the sweep with peaks of 1; shape (round(duration·rate),).

    Parameters
    ----------
    facts : of all that is played
    reported_hz : the band within which nothing fades
    """
    law = law_of(facts)
    size = round(law.duration_s * sample_rate_hz)
    turns = law.start_hz * law.rate_s * np.exp(np.arange(size) / (law.rate_s * sample_rate_hz))
    signal = np.sin(2.0 * np.pi * turns)
    low_hz, high_hz = reported_hz
    fade_in = round(law.time_s(low_hz) * sample_rate_hz)
    fade_out = size - round(law.time_s(high_hz) * sample_rate_hz)
    signal[:fade_in] *= raised_cosine(fade_in)
    signal[size - fade_out :] *= raised_cosine(fade_out)[::-1]
    return np.asarray(signal)


def law_of(facts: SweepFacts) -> SweepLaw:
    """Return a sweep's law of time and frequency."""
    return SweepLaw(start_hz=facts.start_hz, stop_hz=facts.stop_hz, duration_s=facts.duration_s)


def raised_cosine(samples: int) -> FloatArray:
    """Return a rise from 0 to 1; shape (samples,)."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(samples) + 0.5) / max(samples, 1)))
