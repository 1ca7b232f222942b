"""How long a level may be listened to, and what the measuring day itself comes to.

Three rules, side by side, made for different purposes:

- NIOSH 98-126 (1998), for work: 85 dBA for 8 h a day, 3 dB more halves the time. NIOSH itself
  says that its limit assumes five working days and quiet otherwise, and is not made for the
  general environment. Above 140 dBA no time at all (ceiling, from memory).
- WHO and ITU-T H.870 (2018), for personal players: 80 dBA for 40 h a week, the same energy.
- OSHA, 29 CFR 1910.95, for work: 90 dBA for 8 h a day, 5 dB more halves the time, none above
  115 dBA. The law's printed table rounds (92 dBA: 6 h).

Levels are A-weighted, times in seconds. Programmes are taken as pink
(common practice, no source).
"""

import math
from collections.abc import Sequence
from typing import Literal

from reportlib.judge.records import DayDose, Exposure
from reportlib.measure.levels import distance_change_db, pink_weighted_db
from reportlib.session.day import SPACES_WITH_1_M_LEVELS, Session, Space

Basis = Literal["calibrated", "assumed"]

NIOSH, WHO_ITU, OSHA = "NIOSH 98-126", "WHO–ITU H.870", "OSHA 29 CFR 1910.95"
_EIGHT_HOURS_S = 8.0 * 3600.0
_FORTY_HOURS_S = 40.0 * 3600.0
NIOSH_CEILING_DBA = 140.0
OSHA_CEILING_DBA = 115.0
OSHA_COUNTS_FROM_DBA = 80.0
_REFERENCE_PA2 = (20e-6) ** 2
WEEKLY_PA2H = 1.6
"""WHO–ITU's weekly allowance for adults: 80 dBA for 40 h."""
IN_ROOM_DB = 3.0
"""What a room is taken to add for whoever stays in it (the upper end of the trade's sum)."""


def niosh_daily_s(level_dba: float) -> float:
    """Return NIOSH's time a day, 480 min / 2^((L − 85)/3); it may exceed a day.

    >>> niosh_daily_s(100.0)
    900.0
    """
    if level_dba >= NIOSH_CEILING_DBA:
        return 0.0
    return float(_EIGHT_HOURS_S / 2.0 ** ((level_dba - 85.0) / 3.0))


def osha_daily_s(level_dba: float) -> float:
    """Return OSHA's time a day, 8 h / 2^((L − 90)/5).

    >>> osha_daily_s(100.0) / 3600.0
    2.0
    """
    if level_dba > OSHA_CEILING_DBA:
        return 0.0
    return float(_EIGHT_HOURS_S / 2.0 ** ((level_dba - 90.0) / 5.0))


def who_itu_weekly_s(level_dba: float) -> float:
    """Return the time that uses up WHO–ITU's week for adults.

    >>> who_itu_weekly_s(90.0) / 3600.0
    4.0
    """
    over = (level_dba - 80.0) / 10.0
    return float(_FORTY_HOURS_S / 10.0**over)


def niosh_dose_percent(heard: Sequence[tuple[float, float]]) -> float:
    """Return the dose of stretches of sound, 100·ΣC/T.

    Levels above 115 dBA count too, as NIOSH asks.

    Parameters
    ----------
    heard : level in dBA and its duration in s
    """
    return 100.0 * sum(
        seconds / niosh_daily_s(level) if level < NIOSH_CEILING_DBA else math.inf
        for level, seconds in heard
    )


def osha_dose_percent(heard: Sequence[tuple[float, float]]) -> float:
    """Return OSHA's dose of stretches of sound, 100·ΣC/T, of all from 80 dBA on.

    Source: 29 CFR 1910.95, Appendix A; that levels from 80 dBA count is from memory. None is
    allowed above 115 dBA, where the dose has no end.

    Parameters
    ----------
    heard : level in dBA and its duration in s
    """
    return 100.0 * sum(
        seconds / osha_daily_s(level) if level <= OSHA_CEILING_DBA else math.inf
        for level, seconds in heard
        if level >= OSHA_COUNTS_FROM_DBA and seconds > 0.0
    )


def average_of_dose_dba(dose_percent: float) -> float:
    """Return the 8 h average that a NIOSH dose stands for, 10·lg(D/100) + 85."""
    return 10.0 * math.log10(dose_percent / 100.0) + 85.0


def sound_exposure_pa2h(heard: Sequence[tuple[float, float]]) -> float:
    """Return the sound exposure of stretches of sound, Σ p²·t, in Pa²h."""
    return math.fsum(
        _REFERENCE_PA2 * 10.0 ** (level / 10.0) * seconds / 3600.0 for level, seconds in heard
    )


def stricter_level_dba(level_dba: float) -> float:
    """Round a level up to a whole number, towards the stricter.

    >>> stricter_level_dba(94.2), stricter_level_dba(85.0)
    (95.0, 85.0)
    """
    return float(math.ceil(level_dba - 1e-6))


def stricter_time_s(seconds: float) -> float:
    """Round a time down, towards the stricter, to two digits in the unit that it is read in.

    >>> stricter_time_s(2857.32) / 60, stricter_time_s(9071.4) / 3600, stricter_time_s(28.12)
    (47.0, 2.5, 28.0)
    """
    if not 0.0 < seconds < math.inf:
        return seconds
    unit = 3600.0 if seconds >= 7200.0 else 60.0 if seconds >= 120.0 else 1.0
    size = 10.0 ** (math.floor(math.log10(seconds / unit)) - 1)
    return math.floor(seconds / unit / size + 1e-9) * size * unit


def programme_dba(level_db: float) -> float:
    """Return the A-weighted level of pink sound of an unweighted level."""
    return level_db + pink_weighted_db("A")


def exposures(
    level_dba: float, *, basis: Basis, heard: str, asked_db: float | None = None
) -> tuple[Exposure, ...]:
    """Return what the three rules say of one level, rounded up to a whole number.

    Parameters
    ----------
    heard, asked_db : the setting or the need that it belongs to, and the level behind it
    """
    level = stricter_level_dba(level_dba)
    rules: tuple[tuple[str, float, Literal["day", "week"]], ...] = (
        (NIOSH, niosh_daily_s(level), "day"),
        (WHO_ITU, who_itu_weekly_s(level), "week"),
        (OSHA, osha_daily_s(level), "day"),
    )
    return tuple(
        Exposure(
            level_dba=level,
            allowed_s=allowed,
            period=period,
            source=source,
            basis=basis,
            heard=heard,
            asked_db=asked_db,
        )
        for source, allowed, period in rules
    )


def day_dose(session: Session, *, start_db: float, basis: Basis) -> DayDose | None:
    """Return what the day gives whoever stayed in the room, beside the microphone.

    None where nobody says how long sweeps are.

    Parameters
    ----------
    start_db : the baseline's level at 1 m
    """
    heard = day_heard(session, start_db=start_db, basis=basis)
    if not heard:
        return None
    return DayDose(
        distance_m=session.rig.distance_m,
        sounding_s=sum(seconds for _, seconds in heard),
        loudest_dba=max(level for level, _ in heard),
        niosh_percent=niosh_dose_percent(heard),
        weekly_percent=100.0 * sound_exposure_pa2h(heard) / WEEKLY_PA2H,
        basis=basis,
    )


def day_heard(
    session: Session, *, start_db: float, basis: Basis
) -> tuple[tuple[float, float], ...]:
    """Return what is heard beside the microphone through the day: level in dBA, and for how long.

    Every sweep and every multitone, at the level that a loudspeaker without loss would give where
    the microphone stands: carried there from 1 m by 20·lg d where levels are those at 1 m; indoors
    3 dB more.
    Levels that are assumed are rounded up.
    What was played beside the captures is not known. Empty where nobody says how long sweeps are.

    Parameters
    ----------
    start_db : the baseline's level, at 1 m or at the microphone as the space has it
    """
    if session.sweep is None or not session.sweep.duration_s:
        return ()
    to_ear = _room_db(session.rig.space)
    if session.rig.space in SPACES_WITH_1_M_LEVELS:
        to_ear += distance_change_db(from_m=1.0, to_m=session.rig.distance_m)
    sweep_to_ear = to_ear + pink_weighted_db(
        "A", start_hz=session.sweep.start_hz, stop_hz=session.sweep.stop_hz
    )
    sweep_s = session.sweep.duration_s
    played = [
        (start_db + drive_db + sweep_to_ear, captures * sweep_s)
        for drive_db, captures in _sweeps(session)
    ] + [
        (programme_dba(start_db + entry.drive_db + to_ear), stage.stress_s)
        for entry in session.long_term
        for stage in entry.stages
    ]
    assumed = basis == "assumed"
    return tuple(
        (stricter_level_dba(level) if assumed else level, seconds) for level, seconds in played
    )


def _room_db(space: Space) -> float:
    return IN_ROOM_DB if space in ("room", "near field", "gated") else 0.0


def _sweeps(session: Session) -> list[tuple[float, int]]:
    """How far each level's sweeps were driven over the baseline, and how many there were."""
    counted = [
        (entry.drive_db, len(entry.captures))
        for entry in (*session.short_term, *session.baseline_again)
    ]
    for entry in session.long_term:
        sweeps = len(entry.before) + sum(len(stage.after) for stage in entry.stages)
        counted.append((entry.sweep_drive_db, sweeps))
    return [(drive_db, sweeps) for drive_db, sweeps in counted if sweeps]
