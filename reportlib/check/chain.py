"""What the chain did: an overloaded microphone, automatic gain, a gain that was touched.

A limiter, heat and a port are the loudspeaker's own. What tells a chain from them: overload
bends the waveform in step with the loss and in the same phase at every frequency (y = x − b·x³
loses 3b/4 of its fundamental and gains a third harmonic of b/4, which flattens the tops), while
a loudspeaker's harmonics turn their phase with frequency; automatic gain takes the same share
of every step, from the lowest level on, and pulls the silence down with it; a touched gain moves
every band by the same. What clipped, or was overloaded, is marked and not used.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportlib.check.kinds import found
from reportlib.check.recordings import FLAT_SHARE
from reportlib.check.trace import FRAME_OCTAVES, Trace
from reportlib.measure.compression import Rules, Setting, ShortTerm
from reportlib.measure.records import ChangeCurve, Reason, Response
from reportlib.measure.untold import touched
from reportlib.numbers import frequency, number
from reportlib.session.day import Session
from reportlib.session.records import FloatArray, QualityNote

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
OVERLOAD_FROM_DB = 4.8
"""Below its onset by so much an overload takes a third of `OVERLOAD_LOSS_DB`."""
GAIN_SHARE = 0.03
GAIN_FIRST_DB = 0.15
SILENCE_FALLS_DB = 3.0
"""Silence of half a second is known to 0.1 dB; a place changes more (common practice, no
source)."""
TOUCHED_RISE_DB, TOUCHED_FALL_DB = 0.5, 0.8
"""A gain of less is within a knob's tolerance (common practice, no source)."""
TOUCHED_EVEN_DB, TOUCHED_EVEN_SHARE = 0.15, 0.05
"""Between the quartiles of the points. Of the simulated losses none that is as large is as even."""
_FEWEST_POINTS = 24
_SAME_SHARE = 1.25


def cut_flat(
    responses: Mapping[str, Response], *, traces: Mapping[str, Trace], fraction: int
) -> dict[str, Response]:
    """Mark as clipped what a sweep passed while the microphone's tops were cut."""
    return {
        path: _marked(one, fault="clipped", stretches_hz=traces[path].cut_hz, fraction=fraction)
        if traces[path].microphone_tops > FLAT_SHARE and "clipped" not in one.untold
        else one
        for path, one in responses.items()
    }


def overloaded(
    session: Session,
    responses: Mapping[str, Response],
    *,
    traces: Mapping[str, Trace],
    short: ShortTerm,
    settings: Sequence[Setting],
    rules: Rules,
    sample_rate_hz: int,
) -> tuple[dict[str, Response], list[QualityNote]]:
    """Mark what an overloaded microphone touches, in every capture that is loud enough.

    Parameters
    ----------
    session : as it remains after refusals
    responses : by capture path, and so are `traces`
    settings : the baseline and the others, in the order of `short.curves`

    Returns
    -------
    the responses, marked, and a note a level whose loss shows it
    """
    known = [
        one
        for one in _overloads(
            short, settings=settings, traces=traces, sample_rate_hz=sample_rate_hz
        )
        if "clipped" not in responses[one.source].untold
    ]
    if not known:
        return dict(responses), []
    onset_db, swept_hz = min(one.onset_db for one in known), rules.sweep_range_hz
    gains = {
        path: entry.input_gain_db
        for entry in (*session.short_term, *session.baseline_again)
        for path in entry.captures
    }
    touched_hz: dict[str, FloatArray] = {}
    for path in responses:
        with np.errstate(invalid="ignore"):
            loud = traces[path].level_db - gains.get(path, 0.0) >= onset_db - OVERLOAD_FROM_DB
        stretches = traces[path].frames_hz(loud)
        touched_hz[path] = np.clip(stretches[[0, -1] if stretches.size else []], *swept_hz)
    marked = {
        path: _marked(one, fault="overload", stretches_hz=touched_hz[path], fraction=rules.fraction)
        for path, one in responses.items()
    }
    return marked, [_overload_note(one, stretch_hz=touched_hz[one.source]) for one in known]


def _marked(
    response: Response, *, fault: Reason, stretches_hz: FloatArray, fraction: int
) -> Response:
    untold = touched(
        response.untold,
        fault=fault,
        stretches_hz=stretches_hz,
        frequency_hz=response.frequency_hz,
        fraction=fraction,
    )
    return replace(response, untold=untold)


@dataclass(frozen=True, kw_only=True)
class _Overload:
    """A level at which a loss looks like that of the microphone or its preamplifier.

    Attributes
    ----------
    source : its first take
    onset_db : dB re full scale (rms) at which it takes `OVERLOAD_LOSS_DB`, input gain taken off
    one_sided : whether one side alone is flattened
    """

    source: str
    onset_db: float
    one_sided: bool


def _overloads(
    short: ShortTerm,
    *,
    settings: Sequence[Setting],
    traces: Mapping[str, Trace],
    sample_rate_hz: int,
) -> list[_Overload]:
    """Find levels whose loss looks like that of the microphone or its preamplifier.

    Parameters
    ----------
    settings : the baseline and the others, in the order of `short.curves`
    """
    base = traces[settings[0].takes[0].source]
    result = []
    for curve, setting in zip(short.curves, settings[1:], strict=True):
        trace = traces[setting.takes[0].source]
        evidence = _overload(curve, trace=trace, base=base, highest_hz=sample_rate_hz / 8.0)
        if evidence is not None:
            onset_db, one_sided = evidence
            onset_db -= setting.input_gain_db
            result.append(_Overload(source=trace.source, onset_db=onset_db, one_sided=one_sided))
    return result


def _overload_note(one: _Overload, *, stretch_hz: FloatArray) -> QualityNote:
    """Say where a level's loss is the chain's."""
    low_hz, high_hz = stretch_hz.tolist()
    side = "on one side" if one.one_sided else "on both sides"
    return found(
        "overload",
        "warning",
        capture=one.source,
        message=f"From {frequency(low_hz)} to {frequency(high_hz)}, from about "
        f"{number(one.onset_db, 0)} dB re full scale on, the waveform is flattened {side} in "
        "step with the loss: it looks like an overloaded microphone or preamplifier, not like "
        "the loudspeaker. That stretch is left out, here and wherever a take is as loud. Double "
        "the distance and repeat; the curve must not change.",
    )


def _overload(
    curve: ChangeCurve, *, trace: Trace, base: Trace, highest_hz: float
) -> tuple[float, bool] | None:
    """Return the level at which it takes `OVERLOAD_LOSS_DB`, and whether on one side alone.

    From every frame that is bent, by y = x − b·x³, whose loss grows with the square of the
    amplitude.
    """
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
    flat = flattening[lost] > _FLATTENING * share
    leans = side * leaning[lost] > _LEANING * share
    if max(np.mean(flat), np.mean(leans)) < _IN_STEP:
        return None
    one_sided = bool(np.mean(leans) >= _IN_STEP)
    bent = leans if one_sided else flat
    onset_db = (trace.level_db - 10.0 * np.log10(np.maximum(loss, 1e-3) / OVERLOAD_LOSS_DB))[lost]
    return float(np.median(onset_db[bent])), one_sided


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
    # One gain that was touched before the top does all of it at once.
    steady &= bool(before[0] - before[-2] > 0.1 * falls)
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


@dataclass(frozen=True, kw_only=True)
class _Move:
    """How all points together changed from one level to the next, beyond the step."""

    from_db: float
    to_db: float
    change_db: float
    rises: bool
    falls: bool
    sinks: bool


def touched_notes(
    session: Session, short: ShortTerm, *, settings: Sequence[Setting]
) -> list[QualityNote]:
    """Say where all bands move together from one level to the next, as no loudspeaker does.

    More output than the drive asks for, everywhere; or a loss that is the same at all frequencies
    and comes at once: such is a limiter's, too, so of a loudspeaker with its own amplifier only
    where the output fell though the drive rose, or came back a level later.
    """
    zero = np.zeros(short.baseline.frequency_hz.shape)
    below = (settings[0].level_db, 0.0, zero, short.baseline.usable)
    moves: list[_Move] = []
    for curve, step in zip(short.curves, short.steps, strict=True):
        now = (curve.level_db, step.applied_db, curve.change_db, curve.usable)
        both = below[3] & now[3]
        if np.count_nonzero(both) < _FEWEST_POINTS:
            continue
        change = (now[2] - below[2])[both]
        low, first, middle, last = np.percentile(change, (10.0, 25.0, 50.0, 75.0)).tolist()
        even = last - first <= max(TOUCHED_EVEN_DB, TOUCHED_EVEN_SHARE * abs(middle))
        interval = float(np.median(curve.u95_db[both]))
        moves.append(
            _Move(
                from_db=below[0],
                to_db=now[0],
                change_db=middle,
                rises=low > max(TOUCHED_RISE_DB, interval),
                falls=even and -middle > max(TOUCHED_FALL_DB, interval),
                sinks=even and -middle > now[1] - below[1] + TOUCHED_RISE_DB,
            )
        )
        below = now
    passive = session.speaker.drive == "passive"
    rises = any(move.rises for move in moves)
    told = [
        move for move in moves if move.rises or (move.falls and (move.sinks or passive or rises))
    ]
    if not told:
        return []
    largest = max(told, key=lambda move: abs(move.change_db))
    named = ", ".join(
        f"{number(abs(move.change_db), 1)} dB {'more' if move.change_db > 0.0 else 'less'} from "
        f"{move.from_db:g} to {move.to_db:g} dB"
        for move in told
    )
    return [
        found(
            "gain-touched",
            "warning",
            capture=next(one.takes[0].source for one in settings if one.level_db == largest.to_db),
            message=f"All bands together came out otherwise than the volume step asks: {named}. "
            "It looks like an input gain that was touched, a step that was not made as written, "
            "or files that stand at each other’s level, and not like the loudspeaker. Compare "
            "the files’ names and gains, and record what does not fit again.",
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
