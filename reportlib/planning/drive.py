"""What a level takes at the loudspeaker's terminals, by the maker's sensitivity."""

import math
from dataclasses import dataclass

from reportlib.day import Speaker

SENSITIVITY_VOLT = 2.83
"""Of a sensitivity: 1 W into 8 Ω (8.0089/8)."""
SWEEP_CREST_DB = 20.0 * math.log10(math.sqrt(2.0))


@dataclass(frozen=True, kw_only=True)
class Terminals:
    """A drive at the terminals.

    `watt` is into the rated impedance, averaged over the sound; None where no impedance is known.
    """

    volt: float
    peak_volt: float
    watt: float | None

    @property
    def amplifier_watt(self) -> float | None:
        """What an amplifier must be able to give, as the power of a sine of the same peak."""
        if self.watt is None:
            return None
        return self.watt * 0.5 * (self.peak_volt / self.volt) ** 2


def sensitivity_at_volt_db(sensitivity_1_w_db: float, *, impedance_ohm: float) -> float:
    """Return the sensitivity for 2.83 V of one given for 1 W into the rated impedance.

    >>> round(sensitivity_at_volt_db(84.0, impedance_ohm=4.0), 2)
    87.02
    """
    return sensitivity_1_w_db + 20.0 * math.log10(SENSITIVITY_VOLT / math.sqrt(impedance_ohm))


def terminals(speaker: Speaker, *, level_db: float, crest_db: float) -> Terminals | None:
    """Return what a level asks of the amplifier; None for active ones, or without a sensitivity.

    Volts rms are 2.83·10^((level − sensitivity)/20), in free field and without any compression.

    Parameters
    ----------
    level_db : nominal rms level at 1 m
    crest_db : peak of the drive over its rms

    >>> from reportlib.day import Speaker
    >>> passive = Speaker(name="a", drive="passive", sensitivity_db=84.0, rated_impedance_ohm=4.0)
    >>> drive = terminals(passive, level_db=84.0, crest_db=SWEEP_CREST_DB)
    >>> drive.volt, round(drive.watt, 2), round(drive.peak_volt, 2)
    (2.83, 2.0, 4.0)
    """
    if speaker.drive == "active" or speaker.sensitivity_db is None:
        return None
    volt = SENSITIVITY_VOLT * 10.0 ** ((level_db - speaker.sensitivity_db) / 20.0)
    impedance_ohm = speaker.rated_impedance_ohm
    return Terminals(
        volt=volt,
        peak_volt=volt * 10.0 ** (crest_db / 20.0),
        watt=None if impedance_ohm is None else volt**2 / impedance_ohm,
    )


def rated_level_db(speaker: Speaker) -> float | None:
    """Return the level that the maker's rating allows; None where there is none to go by.

    The rated power, or the maker's maximum level, whichever is less.

    >>> from reportlib.day import Speaker
    >>> speaker = Speaker(name="a", drive="passive", sensitivity_db=84.0, rated_impedance_ohm=4.0,
    ...                   rated_power_w=50.0)
    >>> round(rated_level_db(speaker), 2)
    97.97
    """
    found = []
    if speaker.maximum_level_db is not None:
        found.append(speaker.maximum_level_db)
    at_sensitivity = terminals(speaker, level_db=speaker.sensitivity_db or 0.0, crest_db=0.0)
    if (
        at_sensitivity is not None
        and at_sensitivity.watt is not None
        and speaker.rated_power_w is not None
    ):
        assert speaker.sensitivity_db is not None  # else there were no terminals
        found.append(
            speaker.sensitivity_db + 10.0 * math.log10(speaker.rated_power_w / at_sensitivity.watt)
        )
    return min(found, default=None)
