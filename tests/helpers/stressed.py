"""An invented level of stress while it plays, apart from the analysis and from the simulator.

The small two-way of ``invented``: its tweeter's coil warms within seconds, its magnet slowly. Every
argument of `make_playing` changes one thing about the level.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from invented import bump

from reportlib.measure.levels import BANDS, G
from reportlib.measure.stress.records import (
    CoilTrack,
    GroupTrack,
    Playing,
    Recovery,
    StageSpan,
    ThermalFit,
    ThermalTerm,
)

LOSSES = {"bass": 0.15, "low mids": 0.3, "mids": 0.75, "presence": 1.7, "treble": 1.2}
"""Loss for ever at the loudest level, dB."""
FAST_S, SLOW_S = 8.0, 1500.0
SLOW_SHARE = 0.4
REFUSAL = "The slow part had not shown how fast it goes when the test ended."


def make_playing(
    *,
    level_db: float = 92.0,
    stress_s: Sequence[float] = (30.0, 90.0),
    rest_s: Sequence[float | None] = (8.0,),
    pause_s: float = 2.0,
    recorded: Sequence[bool] = (True, True),
    period_s: float = 1.0,
    tones: int = 78,
    losses: Mapping[str, float] | None = None,
    noise_db: float = 0.05,
    terms: int = 1,
    identifiable: bool = True,
    cold_known: bool = True,
    with_fit: bool = True,
    projected: bool = True,
    seen: str = "agrees",
    untold: Sequence[str] = (),
    distortion_rise_db: float = 0.0,
    crossovers_hz: Sequence[float] = (2600.0,),
    with_coil: bool = False,
    coil_rise_k: float = 46.0,
    seed: int = 21,
) -> Playing:
    """Return one level while it plays.

    Parameters
    ----------
    stress_s, rest_s : length of each stage, and from its end to the next one's start (None:
        nobody wrote it down)
    recorded : which stages have a recording
    losses : by band, dB if it played for ever, negative for a gain
    terms : one or two exponentials
    identifiable : whether time constants are
    cold_known, with_fit, projected : what the fits could tell
    seen : what the sweeps afterwards come to: ``"agrees"``, ``"disagrees"``, ``"can't tell"``
    untold : bands lost in noise
    coil_rise_k : how much hotter the tweeter's coil would get in the end
    """
    rng = np.random.default_rng(seed)
    losses = dict(LOSSES if losses is None else losses)
    spans = _spans(stress_s, rest_s=rest_s, pause_s=pause_s, recorded=recorded)
    elapsed_s, stage, settled, heat = _heated(spans, rest_s=rest_s, period_s=period_s, terms=terms)
    starts = np.array([np.nan if span.start_s is None else span.start_s for span in spans])
    before_s = np.array([span.elapsed_s - span.stress_s for span in spans])
    frequency_hz = np.geomspace(25.0, 18000.0, tones)
    depth = _depth(frequency_hz, losses)
    first = int(np.argmax(settled))
    zero = 0.0 if cold_known and with_fit else heat[first]
    truth = -np.outer(heat - zero, depth)
    own_noise = noise_db * (1.0 + 3.0 * bump(frequency_hz, 25.0, octaves=1.0))
    change = truth + own_noise * rng.standard_normal(truth.shape)
    silent = np.zeros(tones, dtype=bool)
    for band in BANDS:
        if band.name in untold:
            silent |= band.holds(frequency_hz)
    usable = settled[:, np.newaxis] & ~silent
    change[~settled] = np.nan
    rise = distortion_rise_db * (elapsed_s / elapsed_s[-1])

    def track(kind, name, low_hz, high_hz, *, loss, told=True):
        inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz) & ~silent
        told = told and bool(inside.any())
        mean = change[:, inside].mean(axis=1) if told else np.full(elapsed_s.shape, np.nan)
        fit = _fit(
            loss,
            heat_end=float(heat[-1]) - (0.0 if cold_known else zero),
            terms=terms,
            identifiable=identifiable,
            cold_known=cold_known,
            projected=projected,
        )
        fitted = np.where(settled, -(heat - zero) * loss, np.nan)
        known = told and with_fit
        return GroupTrack(
            kind=kind,
            name=name,
            low_hz=low_hz,
            high_hz=high_hz,
            change_db=mean,
            u95_db=np.where(
                np.isfinite(mean), 2.0 * noise_db / np.sqrt(max(inside.sum(), 1)), np.nan
            ),
            distortion_db=np.where(
                settled, -34.0 + rise + 0.3 * rng.standard_normal(rise.size), np.nan
            ),
            tones=int(inside.sum()),
            fit=fit if known else None,
            fitted_db=fitted if known else np.full(elapsed_s.shape, np.nan),
        )

    mean = {band.name: float(depth[band.holds(frequency_hz)].mean()) for band in BANDS}
    bands = [
        track("band", band.name, band.low_hz, band.high_hz, loss=mean[band.name]) for band in BANDS
    ]
    units = []
    edges = (25.0, *crossovers_hz, 18000.0)
    for index in range(len(edges) - 1 if crossovers_hz else 0):
        low, high = edges[index] * (G ** (1 / 3) if index else 1), edges[index + 1]
        names = {0: f"up to {_hz(high)}", len(edges) - 2: f"from {_hz(edges[index])}"}
        inside = (frequency_hz >= low) & (frequency_hz < high)
        name = names.get(index, f"{_hz(edges[index])} to {_hz(high)}")
        units.append(track("unit", name, low, high, loss=float(depth[inside].mean())))
    return Playing(
        level_db=level_db,
        period_s=period_s,
        stages=spans,
        elapsed_s=elapsed_s,
        clock_s=starts[stage] + elapsed_s - before_s[stage],
        stage=stage,
        settled=settled,
        frequency_hz=frequency_hz,
        change_db=change,
        u95_db=np.where(np.isfinite(change), 2.0 * own_noise, np.nan),
        usable=usable,
        cold_known=cold_known and with_fit,
        distortion_db=np.where(settled, -34.0 + rise, np.nan),
        groups=(*bands, *units),
        recovery=_recoveries(
            bands, spans=spans, pause_s=pause_s, seen=seen, losses=mean, heat=heat, stage=stage
        ),
        coil=_coil(units[-1], rise_k=coil_rise_k * heat, settled=settled) if with_coil else None,
    )


def _hz(hz):
    return f"{hz:g} Hz" if hz < 1000.0 else f"{hz / 1000.0:g} kHz"


def _spans(stress_s, *, rest_s, pause_s, recorded):
    spans, start, elapsed = [], 0.0, 0.0
    for index, length in enumerate(stress_s):
        elapsed += length
        spans.append(
            StageSpan(
                start_s=start,
                stress_s=length,
                elapsed_s=elapsed,
                pause_s=pause_s,
                recorded=recorded[index],
            )
        )
        rest = rest_s[index] if index < len(rest_s) else None
        start = None if start is None or rest is None else start + length + rest
    return tuple(spans)


def _heated(spans, *, rest_s, period_s, terms):
    """Period by period through stages and pauses: a first-order low-pass of "playing" a term."""
    shares = ((FAST_S, 1.0),) if terms == 1 else ((FAST_S, 1.0 - SLOW_SHARE), (SLOW_S, SLOW_SHARE))
    state = np.zeros(len(shares))
    tau, share = np.array([one[0] for one in shares]), np.array([one[1] for one in shares])
    elapsed, stage, settled, heat = [], [], [], []
    for index, span in enumerate(spans):
        for count in range(round(span.stress_s / period_s)):
            middle = 1.0 - (1.0 - state) * np.exp(-0.5 * period_s / tau)
            state = 1.0 - (1.0 - state) * np.exp(-period_s / tau)
            if span.recorded:
                elapsed.append(span.elapsed_s - span.stress_s + (count + 0.5) * period_s)
                stage.append(index)
                settled.append(count > 0)
                heat.append(float(middle @ share))
        rest = rest_s[index] if index < len(rest_s) else None
        state = state * np.exp(-(rest or 10.0) / tau)
    return np.array(elapsed), np.array(stage), np.array(settled), np.array(heat)


def _depth(frequency_hz, losses):
    middles = [np.sqrt(band.low_hz * band.high_hz) for band in BANDS]
    return np.interp(np.log(frequency_hz), np.log(middles), [losses[band.name] for band in BANDS])


def _fit(loss_db, *, heat_end, terms, identifiable, cold_known, projected):
    if loss_db < 0.0:
        return _record((), loss_db=loss_db, heat_end=heat_end, cold_known=cold_known)
    parts = [(FAST_S, loss_db)]
    if terms == 2:
        parts = [(FAST_S, loss_db * (1.0 - SLOW_SHARE)), (SLOW_S, loss_db * SLOW_SHARE)]
    found = tuple(
        ThermalTerm(
            time_constant_s=tau,
            time_constant_low_s=0.85 * tau if identifiable and tau < 60.0 else 0.3 * tau,
            time_constant_high_s=1.2 * tau if identifiable and tau < 60.0 else 9.0 * tau,
            loss_db=size,
            loss_low_db=0.8 * size,
            loss_high_db=1.3 * size,
            identifiable=identifiable and tau < 60.0,
        )
        for tau, size in parts
    )
    ten = None
    if projected and all(one.identifiable for one in found):
        ten = loss_db
    return _record(found, loss_db=loss_db, heat_end=heat_end, cold_known=cold_known, ten=ten)


def _record(terms, *, loss_db, heat_end, cold_known, ten=None):
    return ThermalFit(
        terms=terms,
        cold_db=0.0,
        cold_u95_db=0.05 if cold_known else 0.9,
        cold_known=cold_known,
        end_loss_db=loss_db * heat_end,
        end_loss_u95_db=0.08 if cold_known else 0.9,
        cooling_ratio=1.2,
        projected_600_s_db=ten,
        projected_u95_db=None if ten is None else 0.15,
        refusal="" if ten is not None else REFUSAL,
        residual_db=0.03,
        effective_count=60.0,
    )


def _recoveries(bands, *, spans, pause_s, seen, losses, heat, stage):
    found = []
    for index, span in enumerate(spans):
        if not span.recorded:
            continue
        end_heat = heat[stage == index][-1]
        for band in bands:
            if band.fit is None:
                continue
            after_s = pause_s + 0.58 * np.log(np.sqrt(band.low_hz * band.high_hz) / 20.0)
            end = -end_heat * losses[band.name]
            expected = end * np.exp(-after_s / FAST_S)
            found.append(
                Recovery(
                    stage=index,
                    name=band.name,
                    low_hz=band.low_hz,
                    high_hz=band.high_hz,
                    after_s=after_s,
                    end_db=end,
                    end_u95_db=0.08,
                    expected_db=expected,
                    expected_u95_db=0.12,
                    seen_db=expected + (0.6 if seen == "disagrees" else 0.02),
                    seen_u95_db=0.1,
                    agreement=seen,
                )
            )
    return tuple(found)


def _coil(unit, *, rise_k, settled):
    cold_ohm = 3.2
    rise = np.where(settled, rise_k, np.nan)
    ratio = 1.0 + rise / 254.45
    return CoilTrack(
        unit=unit.name,
        low_hz=unit.low_hz,
        high_hz=unit.high_hz,
        cold_ohm=cold_ohm,
        ambient_c=22.0,
        ambient_assumed=True,
        resistance_ohm=cold_ohm * ratio,
        resistance_u95_ohm=np.where(settled, 0.03, np.nan),
        rise_k=rise,
        rise_u95_k=np.where(settled, 4.0, np.nan),
        expected_db=-20.0 * np.log10(ratio),
        heard_db=unit.change_db,
        heard_u95_db=unit.u95_db,
    )
