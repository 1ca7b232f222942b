"""What figures and captions pick out of sweeps: rise that arrived, stages, limits, harmonics.

Pure selections, no drawing. The numbers behind the level ladder:

Turned up by `asked` dB, a loudspeaker without compression gives `asked` dB more. What it gives
is `asked + change`. The share of the rise is counted in sound power above the baseline's,
because decibels have no share: 1 dB short of 27 dB is 4 % of the decibels, yet a fifth of the
sound power that was asked for never came, and the first figure would shrink further if the
baseline were set lower.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.judge.grades import was_measured
from reportlib.judge.limits import kind_of
from reportlib.judge.records import Analysis, BandResult, Grade, Limit
from reportlib.measure.levels import BANDS, Band, power
from reportlib.measure.records import ChangeCurve, HarmonicCurves
from reportlib.numbers import duration, hz_range_text
from reportlib.session.day import Test
from reportlib.session.records import FloatArray
from reportlib.write.facts import limit_key
from reportlib.write.quotes import FactTable, written


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One band at one level: what was asked for and what came.

    Attributes
    ----------
    asked_db : the volume step that was applied, against the baseline
    change_db : the band's mean against it; None: can't tell
    u95_db : its 95 % half-width; 0 where it can't be told
    share : of the rise in sound power that arrived; above 1 for more than asked, None: can't tell
    result : what the band's grade rests on, told or not; None where the band was not graded
    """

    band: str
    level_db: float
    asked_db: float
    change_db: float | None
    u95_db: float
    share: float | None
    grade: Grade
    result: BandResult | None

    @property
    def clear(self) -> bool:
        """Whether the change is told apart from none: larger than its 95 % half-width."""
        return self.change_db is not None and abs(self.change_db) > self.u95_db


def rise_share(change_db: float, *, asked_db: float) -> float | None:
    """Return the share of the asked-for rise in sound power that arrived.

    .. math:: s = (10^{(a + c)/10} - 1) / (10^{a/10} - 1)

    with `a` the step asked for and `c` the change, in dB. 1 for as asked; 0 (never less) where
    the output did not rise; None where no rise was asked for.

    Examples
    --------
    >>> round(rise_share(-3.0, asked_db=27.0), 3), rise_share(0.0, asked_db=6.0)
    (0.5, 1.0)
    """
    if asked_db <= 0.0:
        return None
    asked = float(power(asked_db)) - 1.0
    given = float(power(asked_db + change_db)) - 1.0
    return max(given / asked, 0.0)


def applied_step_db(analysis: Analysis, level_db: float) -> float:
    """Return the volume step of a short-term level: measured where it was, else as asked."""
    for step in analysis.drive_steps:
        if step.level_db == level_db:
            return step.applied_db
    for entry in analysis.session.short_term:
        if entry.level_db == level_db:
            return entry.drive_db
    raise KeyError(f"no short-term entry at {level_db:g} dB")


def driven_levels(analysis: Analysis) -> tuple[float, ...]:
    """Return the short-term levels that were driven above the baseline, quietest first."""
    return tuple(sorted({curve.level_db for curve in analysis.short_term}))


def rungs(analysis: Analysis) -> tuple[Rung, ...]:
    """Return every band at every short-term level: bands from low to high, levels rising.

    Bands that were not measured are left out, unless none was.
    """
    measured = [
        band
        for band in BANDS
        if was_measured(analysis.short_term, low_hz=band.low_hz, high_hz=band.high_hz)
    ]
    result_of = {
        (result.band, result.level_db): result
        for result in analysis.bands
        if result.test == "short_term"
    }
    return tuple(
        _rung(
            band,
            level_db=level_db,
            asked_db=applied_step_db(analysis, level_db),
            result=result_of.get((band.name, level_db)),
        )
        for band in measured or BANDS
        for level_db in driven_levels(analysis)
    )


def _rung(band: Band, *, level_db: float, asked_db: float, result: BandResult | None) -> Rung:
    grade: Grade = "can't tell" if result is None or result.mean_db is None else result.grade
    known = result if grade != "can't tell" else None
    change_db = known.mean_db if known else None
    return Rung(
        band=band.name,
        level_db=level_db,
        asked_db=asked_db,
        change_db=change_db,
        u95_db=(known.u95_db or 0.0) if known else 0.0,
        share=None if change_db is None else rise_share(change_db, asked_db=asked_db),
        grade=grade,
        result=result,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Track:
    """A band's mean at one level, from before the stress to after its last stage.

    Attributes
    ----------
    elapsed_s, mean_db, u95_db : shape (1 + stages,); starts with 0 s and 0 dB, which is
        "before"; NaN where it can't be told
    """

    level_db: float
    elapsed_s: FloatArray
    mean_db: FloatArray
    u95_db: FloatArray


def long_term_levels(analysis: Analysis) -> tuple[float, ...]:
    """Return the levels of the long-term test, quietest first."""
    return tuple(sorted({curve.level_db for curve in analysis.long_term}))


def last_curves(analysis: Analysis) -> tuple[ChangeCurve, ...]:
    """Return the sweep after the last stage of every level, quietest first."""
    swept = [curve for curve in analysis.long_term if curve.source != "multitone"]
    last = {curve.level_db: curve for curve in sorted(swept, key=lambda c: c.elapsed_s)}
    return tuple(last[level_db] for level_db in sorted(last))


def after_text(curves: Sequence[ChangeCurve]) -> str:
    """Return how long the stress behind these curves lasted: "after 2 min", where it is one."""
    lengths = {curve.elapsed_s for curve in curves}
    if len(lengths) == 1:
        return f"after {duration(lengths.pop())}"
    return f"after {duration(min(lengths))} to {duration(max(lengths))}"


def tracks(analysis: Analysis, *, band: Band) -> tuple[Track, ...]:
    """Return a band's tracks, one a long-term level, quietest first."""
    found = []
    for level_db in long_term_levels(analysis):
        results = sorted(
            (
                result
                for result in analysis.bands
                if result.test == "long_term"
                and result.band == band.name
                and result.level_db == level_db
            ),
            key=lambda result: result.elapsed_s,
        )
        means = [
            np.nan if r.mean_db is None or r.grade == "can't tell" else r.mean_db for r in results
        ]
        found.append(
            Track(
                level_db=level_db,
                elapsed_s=np.array([0.0, *(result.elapsed_s for result in results)]),
                mean_db=np.array([0.0, *means]),
                u95_db=np.array([0.0, *(result.u95_db or 0.0 for result in results)]),
            )
        )
    return tuple(found)


def last_result(analysis: Analysis, *, band: str, curve: ChangeCurve) -> BandResult | None:
    """Return a band's result at the level and stage of a long-term curve, if there is one."""
    found = [
        result
        for result in analysis.bands
        if result.test == "long_term"
        and result.band == band
        and result.level_db == curve.level_db
        and result.elapsed_s == curve.elapsed_s
    ]
    return found[-1] if found else None


_BAND_NAMES = tuple(band.name for band in BANDS)


def band_limits(analysis: Analysis, *, band: str, test: Test = "short_term") -> tuple[Limit, ...]:
    """Return the limits of one band, the smallest loss first."""
    found = [one for one in analysis.limits if one.test == test and one.band == band]
    return tuple(sorted(found, key=lambda one: one.threshold_db))


def limited_rows(analysis: Analysis) -> tuple[str, ...]:
    """Return what has a limit to show: bands from low to high, then drive units.

    Not what is told up to the loudest level of each test and reached none of them.
    """
    names = dict.fromkeys(one.band for one in analysis.limits if not out_of_reach(analysis, one))
    return (
        *(name for name in _BAND_NAMES if name in names),
        *(name for name in names if name not in _BAND_NAMES),
    )


def out_of_reach(analysis: Analysis, limit: Limit) -> bool:
    """Whether a limit lies beyond the loudest level that its test can tell of anything."""
    top = farthest_told(analysis, test=limit.test)
    return kind_of(limit) == "not reached" and limit.tested_to_db == top.tested_to_db


def farthest_told(analysis: Analysis, *, test: Test) -> Limit:
    """Return a test's limit that is told up to the loudest level."""
    own = [one for one in analysis.limits if one.test == test]
    return max(own, key=lambda one: one.tested_to_db or -np.inf)


def limit_text(limit: Limit, *, facts: FactTable) -> str:
    """Return a limit in a few words: ``"91.8 dB"``, ``"90 to 96 dB"``, ``"not by 99 dB"``."""
    key = limit_key(limit)
    here = f"{key}.{limit.threshold_db:g}"
    kind = kind_of(limit)
    if kind == "can't tell":
        return "can’t tell"
    if kind == "at":
        return written(facts[here])
    if kind == "between":
        return f"{written(facts[f'{here}.low']).split()[0]} to {written(facts[f'{here}.high'])}"
    if kind == "by":
        return f"by {written(facts[f'{here}.high'])}"
    tested = written(facts[f"{key}.tested"])
    return f"may be, by {tested}" if kind == "may be" else f"not by {tested}"


def bracket_text(limit: Limit, *, facts: FactTable) -> str:
    """Return a limit with its bracket, where it is said as one level."""
    text = limit_text(limit, facts=facts)
    if kind_of(limit) != "at":
        return text
    here = f"{limit_key(limit)}.{limit.threshold_db:g}"
    low, high = (written(facts[f"{here}.{end}"]).split()[0] for end in ("low", "high"))
    return f"{text} ({low} to {high})"


def where_text(limit: Limit) -> str:
    """Return what a limit speaks for: ``"bass, 40–160 Hz"``, or a drive unit's words."""
    if limit.band not in _BAND_NAMES:
        return limit.band
    return f"{limit.band}, {hz_range_text(limit.low_hz, limit.high_hz)}"


def two_levels(analysis: Analysis) -> tuple[HarmonicCurves, ...]:
    """Return the harmonics of a middle level and of the highest, as far as there are any."""
    driven = {curve.level_db for curve in analysis.short_term}
    found = sorted(
        (
            curves
            for curves in analysis.harmonics
            if curves.level_db in driven and np.isfinite(curves.floor_db).any()
        ),
        key=lambda curves: curves.level_db,
    )
    if len(found) < 2:
        return tuple(found)
    return found[(len(found) - 1) // 2], found[-1]


def shown_beside(analysis: Analysis, shown: Sequence[HarmonicCurves]) -> tuple[ChangeCurve, ...]:
    """Return the short-term curves of the levels whose harmonics are shown."""
    curve_of = {curve.level_db: curve for curve in analysis.short_term}
    return tuple(curve_of[harmonics.level_db] for harmonics in shown)


def ordinal(order: int) -> str:
    """Return the name of a harmonic: 2nd, 3rd, 4th.

    >>> ordinal(2), ordinal(3), ordinal(5)
    ('2nd', '3rd', '5th')
    """
    ending = {2: "nd", 3: "rd"}.get(order, "th")
    return f"{order}{ending}"


def percent_text(relative_db: float) -> str:
    """Return a harmonic's level against its tone as a share of the amplitude.

    >>> percent_text(-40.0)
    '1 %'
    """
    return f"{100.0 * 10.0 ** (relative_db / 20.0):.3g} %"
