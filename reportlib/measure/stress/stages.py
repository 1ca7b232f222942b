"""The stages of one level in a row, the sweeps after them, and the rows of ``compression.csv``.

The stages are put on clocks that they share. What the sweep after a stage saw of a loss is held
against what the fit says it should have seen:

The sweep reads the bass first and the treble last: at f it looks t = pause + L·ln(f/f1) after the
multitone's end (Farina 2000), by when the coil has cooled. The change it saw is against the sweep
before, which is taken to have found the loudspeaker cold. What either sweep itself heats is not
modelled: both are alike, so that most of it cancels; a long loud sweep still reads a loss of its
own in the treble.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import get_args

import numpy as np
from scipy.special import ndtri

from reportlib.measure.records import Budget, ChangeCurve, Reason
from reportlib.measure.stress.grid import History, stage_states
from reportlib.measure.stress.periods import StressTones
from reportlib.measure.stress.records import (
    Agreement,
    GroupTrack,
    Playing,
    Recovery,
    StageSpan,
    ThermalFit,
)
from reportlib.measure.stress.tones import IntArray
from reportlib.measure.stress.weighing import COOLING_RANGE
from reportlib.measure.sweep import SweepLaw
from reportlib.session.day import LongTermEntry, Stage
from reportlib.session.records import BoolArray, FloatArray, freeze, same_length


@dataclass(frozen=True, eq=False, kw_only=True)
class Joined:
    """Every period that was recorded at one level.

    Attributes
    ----------
    elapsed_s : shape (n,), middle of each period in stress alone; `clock_s` with pauses, NaN
        where not known
    stage : shape (n,)
    settled : shape (n,), False for a stage's first recorded period
    reason : shape (n,), why no tone of a period may be used, empty where they may
    level_db, noise, power, beside, resistance_ohm, reactance_ohm : shape (n, m), as in
        `periods.StressTones`
    """

    period_s: float
    spans: tuple[StageSpan, ...]
    elapsed_s: FloatArray
    clock_s: FloatArray
    stage: IntArray
    settled: BoolArray
    reason: tuple[str, ...]
    frequency_hz: FloatArray
    noise_dof: FloatArray
    level_db: FloatArray
    noise: FloatArray
    power: FloatArray
    beside: FloatArray
    resistance_ohm: FloatArray
    reactance_ohm: FloatArray

    def __post_init__(self) -> None:
        tones = ("frequency_hz", "noise_dof", "level_db", "noise", "power", "beside")
        freeze(self, ("elapsed_s", "clock_s", *tones))
        freeze(self, ("settled",), dtype=np.bool_)
        freeze(self, ("stage",), dtype=np.intp)
        same_length(self, tones)
        same_length(self, ("elapsed_s", "clock_s", "stage", "settled", "reason"))

    @property
    def usable(self) -> BoolArray:
        """Which periods may be used, shape (n,)."""
        return self.settled & np.array([not one for one in self.reason], dtype=np.bool_)

    def history(self, used: BoolArray) -> History:
        """Return the level's stages and pauses, with these of its periods; shape (n,)."""
        spans = [
            (span.start_s, span.start_s + span.stress_s)
            for span in self.spans
            if span.start_s is not None
        ]
        return History(
            period_s=self.period_s,
            spans_s=np.array(spans, dtype=np.float64).reshape(-1, 2),
            centre_s=self.clock_s[used],
            stage=self.stage[used],
        )


def stage_spans(entry: LongTermEntry, *, recorded: Sequence[bool]) -> tuple[StageSpan, ...]:
    """Return a level's stages on its clock; unknown from the first rest that is not known on."""
    spans = []
    start_s: float | None = 0.0
    for index, stage in enumerate(entry.stages):
        spans.append(
            StageSpan(
                start_s=start_s,
                stress_s=stage.stress_s,
                elapsed_s=entry.elapsed_s(index),
                pause_s=stage.pause_s[0] if stage.pause_s else 0.0,
                recorded=recorded[index],
            )
        )
        known = start_s is not None and stage.rest_s is not None
        start_s = start_s + stage.stress_s + stage.rest_s if known else None  # type: ignore[operator]
    return tuple(spans)


def joined(entry: LongTermEntry, *, heard: Mapping[str, StressTones]) -> Joined | None:
    """Put a level's recordings in a row; None where none of its stages was heard.

    Parameters
    ----------
    heard : by path of the stress recording, of those that can be used
    """

    def of(stage: Stage) -> StressTones | None:
        return heard.get(stage.stress) if stage.stress is not None else None

    spans = stage_spans(entry, recorded=[of(stage) is not None for stage in entry.stages])
    found = [(index, one) for index, stage in enumerate(entry.stages) if (one := of(stage))]
    if not found:
        return None
    first = found[0][1]
    start_s = [span.start_s for span in spans]
    before_s = [span.elapsed_s - span.stress_s for span in spans]
    reason = [
        "clipped" if clips else "gap" if gap else ""
        for _, one in found
        for clips, gap in zip(one.clipped.tolist(), one.gap.tolist(), strict=True)
    ]
    return Joined(
        period_s=first.period_s,
        spans=spans,
        elapsed_s=np.concatenate([before_s[index] + one.centre_s for index, one in found]),
        clock_s=np.concatenate(
            [
                one.centre_s + (np.nan if start_s[index] is None else start_s[index])  # type: ignore[operator]
                for index, one in found
            ]
        ),
        stage=np.concatenate([np.full(one.centre_s.size, index) for index, one in found]),
        settled=np.concatenate([np.arange(one.centre_s.size) > 0 for _, one in found]),
        reason=tuple(reason),
        frequency_hz=first.frequency_hz,
        noise_dof=np.min([one.noise_dof for _, one in found], axis=0),
        **{
            name: np.concatenate([getattr(one, name) for _, one in found])
            for name in ("level_db", "noise", "power", "beside", "resistance_ohm", "reactance_ohm")
        },
    )


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

    Nothing is said of bands that the sweep can't tell. *disagrees* where they are apart by more
    than all comparisons of a level together are by chance, one day in twenty (Bonferroni).
    *can't tell* between that and agreement, where the cold level is not known, where most of the
    loss is due to time constants below half of the wait, and where the intervals are so wide that
    anything would agree.

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
                    band,
                    history=history,
                    curve=curve,
                    law=law,
                    stage=stage,
                    index=index,
                    family=len(bands) * len(stages),
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
    family: int,
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
    surely_db = open_db * float(ndtri(1.0 - 0.025 / family)) / _NORMAL_95
    if (
        open_db < apart_db <= surely_db
        or not fit.cold_known
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


def multitone_curves(playing: Iterable[Playing]) -> tuple[ChangeCurve, ...]:
    """Return the tones' changes at the moments that the session format names.

    The first period centre at or after 2, 5, 10, 20, 30, 60 s, 2, 5, 10, 20, 30, 60 min … of
    stress, under its own time; and the last period of each stage under the stage's end, where the
    recording holds it. A stage's first period stands for no moment: it rings in.
    """
    return tuple(
        _curve(one, period=period, elapsed_s=elapsed_s)
        for one in playing
        for elapsed_s, period in sorted(_moments(one).items())
    )


def _moments(playing: Playing) -> dict[float, int]:
    """Periods that get rows, by the seconds of stress that these are given under."""
    found: dict[float, int] = {}
    settled = np.flatnonzero(playing.settled)
    if settled.size == 0:
        return found
    times = playing.elapsed_s[settled]
    for wanted_s in _wanted_s(float(times[-1])):
        period = int(settled[np.searchsorted(times, wanted_s)])
        found[float(playing.elapsed_s[period])] = period
    for index, span in enumerate(playing.stages):
        own = settled[playing.stage[settled] == index]
        if own.size and span.elapsed_s - playing.elapsed_s[own[-1]] < 1.5 * playing.period_s:
            found[span.elapsed_s] = int(own[-1])
    return found


def _wanted_s(last_s: float) -> Iterator[float]:
    """2, 5, 10, 20, 30 s, then as many minutes, then hours, up to `last_s`; 60 s is 1 min."""
    unit_s = 1.0
    while True:
        for count in (1.0, 2.0, 5.0, 10.0, 20.0, 30.0):
            wanted_s = count * unit_s
            if wanted_s > last_s:
                return
            if wanted_s >= 2.0:
                yield wanted_s
        unit_s *= 60.0


def _curve(playing: Playing, *, period: int, elapsed_s: float) -> ChangeCurve:
    u95 = playing.u95_db[period]
    usable = playing.usable[period]
    nothing = np.zeros(u95.size)
    return ChangeCurve(
        test="long_term",
        level_db=playing.level_db,
        elapsed_s=elapsed_s,
        takes=1,
        frequency_hz=playing.frequency_hz,
        change_db=playing.change_db[period],
        u95_db=u95,
        usable=usable,
        reason=tuple(_reason(playing, period=period, usable=bool(one)) for one in usable),
        budget=Budget(
            noise_db=_standard(u95),
            local_db=nothing,
            gate_db=nothing,
            drift_db=nothing,
            dof=np.full(u95.size, np.inf),
            broadband_db=0.0,
            broadband_dof=np.inf,
            step_db=0.0,
        ),
        source="multitone",
    )


def _standard(u95_db: FloatArray) -> FloatArray:
    return np.asarray(u95_db / 1.96)


def _reason(playing: Playing, *, period: int, usable: bool) -> Reason:
    if usable:
        return ""
    of_all = playing.reason[period] if playing.reason else ""
    return next((reason for reason in get_args(Reason) if reason and reason == of_all), "noise")
