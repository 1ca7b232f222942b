"""How much of the rise arrived: the numbers behind the level ladder and "asked and given".

Turned up by `asked` dB, a loudspeaker without compression gives `asked` dB more. What it gives
is `asked + change`. The share of the rise is counted in sound power above the baseline's,
because decibels have no share: 1 dB short of 27 dB is 4 % of the decibels, yet a fifth of the
sound power that was asked for never came, and the first figure would shrink further if the
baseline were set lower.
"""

from dataclasses import dataclass

from reportlib.levels import BANDS, Band, db, power
from reportlib.model import Analysis, BandResult, Grade
from reportlib.numbers import sentence
from reportlib.shown import Ladder


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
    def given_db(self) -> float | None:
        """By how much the output rose."""
        return None if self.change_db is None else self.asked_db + self.change_db

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


def half_full_db(*, asked_db: float) -> float:
    """Return the change at which half of the rise in sound power arrives, in dB.

    >>> round(half_full_db(asked_db=27.0), 2)
    -3.0
    """
    return float(db(0.5 * (power(asked_db) + 1.0))) - asked_db


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
    """Return every band at every short-term level: bands from low to high, levels rising."""
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
        for band in BANDS
        for level_db in driven_levels(analysis)
    )


def shown_ladder(analysis: Analysis) -> Ladder:
    """Return what the ladder shows, the highest band at the top."""
    share_of = {(rung.band, rung.level_db): rung.share for rung in rungs(analysis)}
    levels = driven_levels(analysis)
    bands = [band.name for band in reversed(BANDS)]
    return Ladder(
        levels=tuple(f"{level_db:g}" for level_db in levels),
        bands=tuple(sentence(band) for band in bands),
        shares=tuple(tuple(share_of[band, level] for level in levels) for band in bands),
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
