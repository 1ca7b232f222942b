"""What the sweep after a stage saw of a loss, against what the fit says it should have seen.

The sweep reads the bass first and the treble last: at f it looks t = pause + L·ln(f/f1) after the
multitone's end (Farina 2000), by when the coil has cooled. The change it saw is against the sweep
before, which is taken to have found the loudspeaker cold. What either sweep itself heats is not
modelled: both are alike, so that most of it cancels; a long loud sweep still reads a loss of its
own in the treble.
"""

import math
from collections.abc import Sequence

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.day import Stage
from reportlib.model import ChangeCurve
from reportlib.soak.history import History
from reportlib.soak.model_curves import stage_states
from reportlib.soak.weighing import COOLING_RANGE
from reportlib.soaked import Agreement, GroupTrack, Recovery, ThermalFit
from reportlib.stimulus import SweepLaw

FEWEST_POINTS = 6
"""Usable points of the sweep's curve, a quarter of an octave of them, for a mean of the band."""

_QUICK = 0.5  # a term whose time constant is below so much of the wait can't be told from it
_MOST_OF_IT = 0.5
_VAGUE_DB = 0.5  # wider than this, and than half of the loss, an agreement says nothing
_NORMAL_95 = 1.96


def recoveries(
    bands: Sequence[GroupTrack],
    *,
    history: History,
    curves: Sequence[ChangeCurve],
    law: SweepLaw,
    stages: Sequence[Stage],
) -> tuple[Recovery, ...]:
    """Compare every stage's sweep with the fit, band by band.

    The half-width of what was expected holds those of the loss and of the time constants, the
    cooling ratio as evenly likely from 1 to 1.6 (only a pause that was listened to narrows it,
    and the record keeps no interval for it), and the pause's own uncertainty u as
    A/τ·e^(−t/τ)·u. What was seen is the mean over the band's usable points, with the mean of
    their half-widths: as if their errors were one, which is the most that they can add up to.

    Nothing is said of bands that the sweep can't tell. *can't tell* where the cold level is not
    known, where most of the loss is due to time constants below half of the wait, and where the
    intervals are so wide that anything would agree.

    Parameters
    ----------
    bands : groups of tones with their fits
    curves : the level's sweeps, after against before, one a stage, in any order
    law : the sweep
    stages : the level's, in time order

    Returns
    -------
    By stage, then band
    """
    found = []
    stress_s = 0.0
    for index, stage in enumerate(stages):
        stress_s += stage.stress_s
        if index >= history.spans_s.shape[0]:
            break
        after = [
            one for one in curves if one.source == "sweep" and math.isclose(one.elapsed_s, stress_s)
        ]
        for curve in after[:1]:
            for band in bands:
                one = _recovery(
                    band, history=history, curve=curve, law=law, stage=stage, index=index
                )
                if one is not None:
                    found.append(one)
    return tuple(found)


def _recovery(
    band: GroupTrack,
    *,
    history: History,
    curve: ChangeCurve,
    law: SweepLaw,
    stage: Stage,
    index: int,
) -> Recovery | None:
    frequency = curve.frequency_hz
    used = curve.usable & (frequency >= band.low_hz) & (frequency < band.high_hz)
    if band.fit is None or np.count_nonzero(used) < FEWEST_POINTS or not stage.pause_s:
        return None
    fit = band.fit
    passed_s = law.rate_s * np.log(frequency[used] / law.start_hz)
    wait_s = np.add.outer(np.array(stage.pause_s), passed_s)
    loss_db = _loss_at_end(fit, history=history, index=index)
    seen_db = float(np.mean(curve.change_db[used]))
    seen_u95_db = float(np.mean(curve.u95_db[used]))
    expected_db = -loss_db * _left(fit, history=history, index=index, wait_s=wait_s)
    expected_u95_db = _expected_u95_db(
        fit, history=history, index=index, wait_s=wait_s, loss_db=loss_db, pause_u_s=stage.pause_u_s
    )
    middle_hz = math.sqrt(band.low_hz * band.high_hz)
    after_s = float(np.mean(stage.pause_s)) + max(law.time_s(middle_hz), 0.0)
    apart_db, open_db = abs(seen_db - expected_db), math.hypot(expected_u95_db, seen_u95_db)
    agreement: Agreement = "agrees" if apart_db <= open_db else "disagrees"
    if (
        not fit.cold_known
        or open_db > max(_VAGUE_DB, 0.5 * loss_db)
        or _too_quick(fit, history=history, index=index, after_s=after_s)
    ):
        agreement = "can't tell"
    return Recovery(
        stage=index,
        name=band.name,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        after_s=after_s,
        end_db=-loss_db,
        end_u95_db=fit.end_loss_u95_db,
        expected_db=expected_db,
        expected_u95_db=expected_u95_db,
        seen_db=seen_db,
        seen_u95_db=seen_u95_db,
        agreement=agreement,
    )


def _shares(fit: ThermalFit, *, history: History, index: int) -> FloatArray:
    """Return what each term comes to at the end of a stage, in dB; shape (terms,)."""
    tau = _time_constants_s(fit)
    losses = np.array([term.loss_db for term in fit.terms])
    _, end = stage_states(history.spans_s, time_constant_s=tau, cooling=_cooling(fit))
    return np.asarray(losses * end[index])


def _loss_at_end(fit: ThermalFit, *, history: History, index: int) -> float:
    """Return the loss at a stage's end; what the last one's has beyond its terms goes with all."""
    last = float(np.sum(_shares(fit, history=history, index=history.spans_s.shape[0] - 1)))
    return float(np.sum(_shares(fit, history=history, index=index))) + fit.end_loss_db - last


def _left(
    fit: ThermalFit,
    *,
    history: History,
    index: int,
    wait_s: FloatArray,
    time_constants_s: FloatArray | None = None,
    cooling: float | None = None,
) -> float:
    """Return how much of the loss is left, averaged over takes and frequencies, from 0 to 1."""
    shares = _shares(fit, history=history, index=index)
    if shares.sum() <= 0.0:
        return 1.0
    tau = _time_constants_s(fit) if time_constants_s is None else time_constants_s
    slowness = tau * (cooling or _cooling(fit))
    return float(shares @ _kept(slowness, wait_s=wait_s) / shares.sum())


def _kept(slowness_s: FloatArray, *, wait_s: FloatArray) -> FloatArray:
    """Return what is left of each term, averaged over takes and frequencies; shape (terms,)."""
    return np.asarray(np.exp(-wait_s[..., np.newaxis] / slowness_s).mean(axis=(0, 1)))


def _expected_u95_db(
    fit: ThermalFit,
    *,
    history: History,
    index: int,
    wait_s: FloatArray,
    loss_db: float,
    pause_u_s: float,
) -> float:
    def left(tau: FloatArray | None = None, *, cooling: float | None = None) -> float:
        return _left(
            fit,
            history=history,
            index=index,
            wait_s=wait_s,
            time_constants_s=tau,
            cooling=cooling,
        )

    parts = [fit.end_loss_u95_db * left()]
    tau = _time_constants_s(fit)
    for term, one in enumerate(fit.terms):
        longer, shorter = tau.copy(), tau.copy()
        longer[term], shorter[term] = one.time_constant_high_s, one.time_constant_low_s
        parts.append(0.5 * loss_db * (left(longer) - left(shorter)))
    if fit.terms:
        lowest, highest = COOLING_RANGE
        most = left(cooling=highest) - left(cooling=lowest)
        parts.append(_NORMAL_95 * loss_db * most / math.sqrt(12.0))
        shares, slowness = _shares(fit, history=history, index=index), tau * _cooling(fit)
        rates = shares / slowness * _kept(slowness, wait_s=wait_s)
        parts.append(_NORMAL_95 * float(rates.sum()) * pause_u_s)
    return math.hypot(*parts)


def _too_quick(fit: ThermalFit, *, history: History, index: int, after_s: float) -> bool:
    shares = _shares(fit, history=history, index=index)
    quick = _time_constants_s(fit) < _QUICK * after_s
    return bool(shares[quick].sum() > _MOST_OF_IT * shares.sum())


def _time_constants_s(fit: ThermalFit) -> FloatArray:
    return np.array([term.time_constant_s for term in fit.terms])


def _cooling(fit: ThermalFit) -> float:
    """The fitted ratio, else the middle of what it may be."""
    return sum(COOLING_RANGE) / 2.0 if fit.cooling_ratio is None else fit.cooling_ratio
