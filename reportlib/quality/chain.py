"""What the recording chain may have done itself: overload, automatic gain.

A limiter, heat and a port are the loudspeaker's own. What tells a chain from them: overload
bends the waveform in step with the loss and in the same phase at every frequency (y = x − b·x³
loses 3b/4 of its fundamental and gains a third harmonic of b/4, which flattens the tops), while
a loudspeaker's harmonics turn their phase with frequency; automatic gain takes the same share
of every step, from the lowest level on, and pulls the silence down with it.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from reportlib.compression import Setting, ShortTerm
from reportlib.model import ChangeCurve, QualityNote
from reportlib.numbers import frequency, number
from reportlib.quality.kinds import found
from reportlib.quality.trace import FRAME_OCTAVES, Trace

OVERLOAD_LOSS_DB = 0.3
OVERLOAD_OCTAVES = 2.0
_FLATTENING = 0.3
"""Kurtosis lost over amplitude lost: less than half of the 2/3 that a cubic gives."""
_LEANING = 0.4
"""Skewness gained over amplitude lost, always to one side: half of what a soft stop on one side
gives (computed)."""
_IN_STEP = 0.8
"""Of the stretches with a loss. A loudspeaker's harmonics have another phase at every frequency:
in the simulated ones at up to 105 dB the share stays below 0.65 (computed)."""
GAIN_SHARE = 0.03
GAIN_FIRST_DB = 0.15
SILENCE_FALLS_DB = 3.0
"""Silence of half a second is known to 0.1 dB; a place changes more (common practice, no
source)."""
_FEWEST_POINTS = 24
_SAME_SHARE = 1.25


def overload_notes(
    short: ShortTerm,
    *,
    settings: Sequence[Setting],
    traces: Mapping[str, Trace],
    sample_rate_hz: int,
) -> list[QualityNote]:
    """Say where a loss looks like that of the microphone or its preamplifier.

    Parameters
    ----------
    settings : the baseline and the others, in the order of `short.curves`
    """
    base = traces[settings[0].takes[0].source]
    notes = []
    for curve, setting in zip(short.curves, settings[1:], strict=True):
        trace = traces[setting.takes[0].source]
        evidence = _overload(curve, trace=trace, base=base, highest_hz=sample_rate_hz / 8.0)
        if evidence is None:
            continue
        onset_db, low_hz, high_hz, one_sided = evidence
        side = "on one side" if one_sided else "on both sides"
        notes.append(
            found(
                "overload",
                "warning",
                capture=trace.source,
                message=f"From {frequency(low_hz)} to {frequency(high_hz)}, from about "
                f"{number(onset_db, 0)} dB re full scale on, the waveform is flattened {side} in "
                "step with the loss: it looks like an overloaded microphone or preamplifier, "
                "not like the loudspeaker. Double the distance and repeat; the curve must not "
                "change.",
            )
        )
    return notes


def _overload(
    curve: ChangeCurve, *, trace: Trace, base: Trace, highest_hz: float
) -> tuple[float, float, float, bool] | None:
    """Return onset, lowest and highest frequency and whether one side alone is flattened."""
    if trace.frame_hz.size != base.frame_hz.size:
        return None
    hz = trace.frame_hz
    grid = np.log(curve.frequency_hz)
    known = np.where(np.isfinite(curve.change_db), curve.change_db, 0.0)
    loss = -np.interp(np.log(hz), grid, known)
    usable = np.interp(np.log(hz), grid, curve.usable.astype(float)) > 0.99
    flattening = base.kurtosis - trace.kurtosis
    leaning = trace.skewness - base.skewness
    told = usable & np.isfinite(flattening) & (hz >= 100.0) & (hz <= highest_hz)
    lost = told & (loss > OVERLOAD_LOSS_DB)
    octaves = np.count_nonzero(lost) * FRAME_OCTAVES
    if octaves < max(OVERLOAD_OCTAVES, 0.5 * np.count_nonzero(told) * FRAME_OCTAVES):
        return None
    share = 1.0 - 10.0 ** (-loss[lost] / 20.0)
    side = np.sign(np.median(leaning[lost]))
    flat = float(np.mean(flattening[lost] > _FLATTENING * share))
    leans = float(np.mean(side * leaning[lost] > _LEANING * share))
    if max(flat, leans) < _IN_STEP:
        return None
    onset_db = float(np.min((trace.level_db + loss)[lost]))
    return onset_db, float(hz[lost].min()), float(hz[lost].max()), leans >= _IN_STEP


def gain_notes(
    short: ShortTerm,
    *,
    settings: Sequence[Setting],
    traces: Mapping[str, Trace],
    reference_counts: bool,
) -> list[QualityNote]:
    """Say where automatic gain control looks likely, by the steps or by the silence."""
    return [
        *_by_steps(short, settings=settings, reference_counts=reference_counts),
        *_by_silence(settings, traces=traces),
    ][:1]


def _by_steps(
    short: ShortTerm, *, settings: Sequence[Setting], reference_counts: bool
) -> list[QualityNote]:
    shares: list[float] = []
    steps: list[float] = []
    for curve, step in zip(short.curves, short.steps, strict=True):
        change = curve.change_db[curve.usable]
        if change.size < _FEWEST_POINTS or step.applied_db < 1.0:
            break
        low, middle, high = np.percentile(change, (25.0, 50.0, 75.0))
        same = high - low <= max(0.3 * abs(middle), GAIN_FIRST_DB)
        told = -middle > max(GAIN_FIRST_DB, float(np.median(curve.u95_db[curve.usable])))
        if not (same and told):
            break
        share = -float(middle) / step.applied_db
        if shares and not 1.0 / _SAME_SHARE < share / shares[0] < _SAME_SHARE:
            break
        shares.append(share)
        steps.append(step.applied_db)
    # Higher levels may add a loss of their own. Steps that lie far apart tell a share of each
    # step from one offset of the baseline.
    if len(shares) < 2 or max(steps) < 1.4 * min(steps):
        return []
    if min(shares) < GAIN_SHARE:
        return []
    share = float(np.mean(shares))
    other = (
        ""
        if reference_counts
        else ", or like volume steps smaller than typed in (no reference counted them)"
    )
    return [
        found(
            "automatic-gain",
            "warning",
            capture=settings[-1].takes[0].source,
            message=f"From the lowest step on, {number(100.0 * share, 0)} % of every step is "
            "missing at the microphone, the same at all frequencies: it looks like automatic "
            f"gain control in the chain{other}. Switch automatic level, limiter and noise "
            "reduction off and measure again.",
        )
    ]


def _by_silence(settings: Sequence[Setting], *, traces: Mapping[str, Trace]) -> list[QualityNote]:
    asked = np.array([setting.drive_db for setting in settings])
    if asked.size < 2:
        return []
    before = np.array([_mean(setting, traces, name="silence_db") for setting in settings])
    before -= np.array([setting.input_gain_db for setting in settings])
    after = np.array([_mean(setting, traces, name="after_db") for setting in settings])
    after -= np.array([setting.input_gain_db for setting in settings])
    top = settings[-1].takes[0].source
    falls = before[0] - before[-1]
    # A place that was loud once falls once; gain falls again from the second level to the top.
    steady = asked.size >= 3 and before[1] - before[-1] > 0.25 * falls
    if falls > SILENCE_FALLS_DB and steady and _rank_correlation(asked, before) < -0.8:
        text = (
            f"The silence before the sweep falls by {number(float(falls), 0)} dB as the level rises"
        )
    else:
        pumps = before - after
        if not (pumps[-1] > SILENCE_FALLS_DB and abs(pumps[0]) < 0.5 * SILENCE_FALLS_DB):
            return []
        text = (
            f"After the loudest sweep it is {number(float(pumps[-1]), 0)} dB quieter than before it"
        )
    return [
        found(
            "automatic-gain",
            "warning",
            capture=top,
            message=f"{text}: it looks like automatic gain control in the chain. Switch automatic "
            "level, limiter and noise reduction off and measure again.",
        )
    ]


def _mean(setting: Setting, traces: Mapping[str, Trace], *, name: str) -> float:
    return float(np.mean([getattr(traces[take.source], name) for take in setting.takes]))


def _rank_correlation(a: np.ndarray, b: np.ndarray) -> float:
    """Spearman's correlation of ranks; 0 where one of the two does not vary."""
    ranks = [np.argsort(np.argsort(one)).astype(float) for one in (a, b)]
    if a.size < 3 or np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        return 0.0
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])
