"""The frozen records of the long-term test: what the stress itself holds, and where it ended.

Conventions: `measure.records`. Times in seconds: `elapsed_s` counts stress alone, from the first
multitone of a level on; `clock_s` counts pauses too, from the same moment.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from reportlib.measure.levels import BANDS
from reportlib.session.records import BoolArray, FloatArray, freeze, same_length

GroupKind = Literal["band", "third", "unit"]
Agreement = Literal["agrees", "disagrees", "can't tell"]


@dataclass(frozen=True, kw_only=True)
class StageSpan:
    """One stage of stress on the level's clock.

    `start_s` is None where a rest before it is not known; `recorded` is whether there is a
    recording of it that could be used.
    """

    start_s: float | None
    stress_s: float
    elapsed_s: float
    pause_s: float
    recorded: bool


@dataclass(frozen=True, kw_only=True)
class ThermalTerm:
    """One exponential of a thermal fit, with 95 % intervals.

    `loss_db` is what it comes to if the stress lasted for ever, positive.
    """

    time_constant_s: float
    time_constant_low_s: float
    time_constant_high_s: float
    loss_db: float
    loss_low_db: float
    loss_high_db: float
    identifiable: bool


@dataclass(frozen=True, kw_only=True)
class ThermalFit:
    """How a group of tones lost level over time, as one history of stages and pauses.

    Attributes
    ----------
    terms : one or two, the faster first; none where no exponential beats a constant
    cold_db : the intercept, dB of the track's own scale; `cold_known` where its interval is at
        most 0.3 dB, else changes are counted from the first period
    end_loss_db : loss against the cold level at the end of the last stage, positive
    cooling_ratio : τ_cool over τ_heat, None where no pause was measured
    projected_600_s_db : loss after 10 min of stress without a pause; None where refused
    refusal : why it was refused, empty where it was not
    residual_db : standard deviation of what the fit leaves
    effective_count : n·(1 − ρ)/(1 + ρ), ρ the lag-1 correlation of the residuals
    """

    terms: tuple[ThermalTerm, ...]
    cold_db: float
    cold_u95_db: float
    cold_known: bool
    end_loss_db: float
    end_loss_u95_db: float
    cooling_ratio: float | None
    projected_600_s_db: float | None
    projected_u95_db: float | None
    refusal: str
    residual_db: float
    effective_count: float


@dataclass(frozen=True, eq=False, kw_only=True)
class GroupTrack:
    """A group of tones over time: a band, a 1/3 octave or a drive unit.

    Attributes
    ----------
    kind, name : ``"band"`` and its name, ``"third"`` and its nominal frequency, ``"unit"`` and
        what it plays (``"up to 450 Hz"``)
    change_db, u95_db : shape (n,), against the cold level where `fit.cold_known` (for 1/3 octaves,
        which have no fit of their own, where `Playing.cold_known`), else against the first period;
        NaN where no tone could be told
    distortion_db : shape (n,), multitone distortion plus noise over the tones' power
    tones : how many tones it averages
    fit : None where there were too few periods, and for 1/3 octaves
    fitted_db : shape (n,), the fit at the same times, NaN without one
    """

    kind: GroupKind
    name: str
    low_hz: float
    high_hz: float
    change_db: FloatArray
    u95_db: FloatArray
    distortion_db: FloatArray
    fitted_db: FloatArray
    tones: int
    fit: ThermalFit | None = None

    def __post_init__(self) -> None:
        arrays = ("change_db", "u95_db", "distortion_db", "fitted_db")
        freeze(self, arrays)
        same_length(self, arrays)


@dataclass(frozen=True, kw_only=True)
class Recovery:
    """What the sweep after a stage saw, against what the fit says it should have seen.

    Attributes
    ----------
    stage : index of the stage
    name, low_hz, high_hz : of the band
    after_s : from the multitone's end until the sweep passed the middle of the band
    end_db, end_u95_db : change at the stress's end, by the fit
    expected_db, expected_u95_db : the same cooled for `after_s`
    seen_db, seen_u95_db : the sweep's own change against the sweep before
    """

    stage: int
    name: str
    low_hz: float
    high_hz: float
    after_s: float
    end_db: float
    end_u95_db: float
    expected_db: float
    expected_u95_db: float
    seen_db: float
    seen_u95_db: float
    agreement: Agreement


@dataclass(frozen=True, eq=False, kw_only=True)
class CoilTrack:
    """The coil's resistance and temperature over time, from terminal voltage and current.

    Attributes
    ----------
    resistance_ohm, resistance_u95_ohm : shape (n,), NaN where it can't be told
    rise_k, rise_u95_k : shape (n,), temperature above that of the cold coil
    expected_db : shape (n,), the change that a voltage drive predicts, 20·lg(R₀/R), ≤ 0 for heat
    heard_db, heard_u95_db : shape (n,), the change heard where that drive unit plays
    unit : which drive unit it is, in words
    low_hz, high_hz : the stretch in which the impedance was read
    cold_ohm : R₀
    ambient_c : temperature of the cold coil; `ambient_assumed` where nobody wrote it down
    """

    unit: str
    low_hz: float
    high_hz: float
    cold_ohm: float
    ambient_c: float
    ambient_assumed: bool
    resistance_ohm: FloatArray
    resistance_u95_ohm: FloatArray
    rise_k: FloatArray
    rise_u95_k: FloatArray
    expected_db: FloatArray
    heard_db: FloatArray
    heard_u95_db: FloatArray

    def __post_init__(self) -> None:
        arrays = (
            "resistance_ohm",
            "resistance_u95_ohm",
            "rise_k",
            "rise_u95_k",
            "expected_db",
            "heard_db",
            "heard_u95_db",
        )
        freeze(self, arrays)
        same_length(self, arrays)


@dataclass(frozen=True, eq=False, kw_only=True)
class Playing:
    """One long-term level while its multitone plays, period by period.

    Attributes
    ----------
    period_s : the multitone's period
    stages : all of the level's, recorded or not
    elapsed_s, clock_s : shape (n,), middle of each period; `clock_s` NaN where not known
    stage : shape (n,), index of the stage that the period lies in
    settled : shape (n,), False for the first period of a stage, which rings in and is not used
    frequency_hz : shape (m,), the tones
    change_db, u95_db : shape (n, m), tone by tone, against the cold level where known
    usable : shape (n, m)
    cold_known : whether changes are against the cold level (else since the first period)
    distortion_db : shape (n,), multitone distortion plus noise over all tones' power
    groups : bands, 1/3 octaves, and drive units where crossovers are given
    coil : the coil's temperature, None where voltage and current were not recorded or do not tell
        it; `no_coil` then says why they do not
    reason : one a period, why none of its tones may be used: ``"clipped"``, ``"gap"``, or empty
    """

    level_db: float
    period_s: float
    stages: tuple[StageSpan, ...]
    elapsed_s: FloatArray
    clock_s: FloatArray
    stage: FloatArray
    settled: BoolArray
    frequency_hz: FloatArray
    change_db: FloatArray
    u95_db: FloatArray
    usable: BoolArray
    cold_known: bool
    distortion_db: FloatArray
    groups: tuple[GroupTrack, ...]
    recovery: tuple[Recovery, ...] = ()
    coil: CoilTrack | None = None
    no_coil: str = ""
    reason: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze(
            self,
            (
                "elapsed_s",
                "clock_s",
                "stage",
                "frequency_hz",
                "change_db",
                "u95_db",
                "distortion_db",
            ),
        )
        freeze(self, ("settled", "usable"), dtype=bool)
        same_length(self, ("elapsed_s", "clock_s", "stage", "settled", "distortion_db"))
        same_length(self, ("frequency_hz", "change_db", "u95_db", "usable"))

    def group(self, name: str, *, kind: GroupKind = "band") -> GroupTrack | None:
        """Return one group, None where it has no tones."""
        found = [one for one in self.groups if one.kind == kind and one.name == name]
        return found[0] if found else None


TOLD_U95_DB = 0.5


_TOLD_SHARE = 0.3


@dataclass(frozen=True, kw_only=True)
class End:
    """How far a group of tones had changed when the stress ended.

    Attributes
    ----------
    change_db, u95_db : against the cold level where `since_cold`, else against the first period
    elapsed_s : stress behind it
    """

    level_db: float
    name: str
    low_hz: float
    high_hz: float
    elapsed_s: float
    change_db: float
    u95_db: float
    since_cold: bool

    @property
    def clear(self) -> bool:
        """Whether the change is told apart from none."""
        return abs(self.change_db) > self.u95_db


def end_of(playing: Playing, track: GroupTrack | None) -> End | None:
    """Return where a group had come to when the stress ended, None where it can't be told."""
    told = np.flatnonzero(np.isfinite(track.change_db)) if track is not None else np.zeros(0)
    if track is None or told.size == 0:
        return None
    last = int(told[-1])
    fit = track.fit
    since_cold = fit is not None and fit.cold_known
    if fit is not None and since_cold:
        change_db, u95_db = -fit.end_loss_db, fit.end_loss_u95_db
        elapsed_s = max(one.elapsed_s for one in playing.stages if one.recorded)
    else:
        fitted = float(track.fitted_db[last])
        change_db = fitted if np.isfinite(fitted) else float(track.change_db[last])
        u95_db = float(track.u95_db[last])
        elapsed_s = playing.stages[int(playing.stage[last])].elapsed_s
    if not u95_db <= max(TOLD_U95_DB, _TOLD_SHARE * abs(change_db)):
        return None
    return End(
        level_db=playing.level_db,
        name=track.name,
        low_hz=track.low_hz,
        high_hz=track.high_hz,
        elapsed_s=elapsed_s,
        change_db=change_db,
        u95_db=u95_db,
        since_cold=since_cold,
    )


LEAVES_DB = 0.02
"""Misfits no larger are not seen beside a line (a judgement; no source)."""


def fit_stays(playing: Playing, track: GroupTrack) -> bool:
    """Return whether a group's fitted curve stays with what it was fitted to; False without one.

    It does where its mean misfit over each quarter of a stage is at most half of the interval
    that is drawn about the periods. A curve that leaves them still says where they end, within
    the end's interval, but nobody should read a course from it.
    """
    misfit_db = track.change_db - track.fitted_db
    told = np.isfinite(misfit_db)
    for stage in np.unique(playing.stage[told]):
        of_stage = np.flatnonzero(told & (playing.stage == stage))
        for part in np.array_split(of_stage, min(4, max(1, of_stage.size // 5))):
            most_db = max(LEAVES_DB, 0.5 * float(np.median(track.u95_db[part])))
            if abs(float(np.mean(misfit_db[part]))) > most_db:
                return False
    return bool(told.any())


def band_ends(playing: Playing) -> tuple[End, ...]:
    """Return where the bands that can be told had come to, bass first."""
    found = [end_of(playing, playing.group(band.name)) for band in BANDS]
    return tuple(end for end in found if end is not None)
