"""Limits as figures, tables and captions give them: which ones, and in how many words."""

from reportlib.facts import FactTable, written
from reportlib.judged import Limit
from reportlib.judged_facts import limit_key
from reportlib.levels import BANDS
from reportlib.limits import kind_of
from reportlib.model import Analysis, Test
from reportlib.numbers import hz_range_text

_BAND_NAMES = tuple(band.name for band in BANDS)


def band_limits(analysis: Analysis, *, band: str, test: Test = "short_term") -> tuple[Limit, ...]:
    """Return the limits of one band, the smallest loss first."""
    found = [one for one in analysis.limits if one.test == test and one.band == band]
    return tuple(sorted(found, key=lambda one: one.threshold_db))


def marked_limits(analysis: Analysis, *, band: str) -> tuple[Limit, ...]:
    """Return the limits of a band, turned up, that are or may be reached."""
    return tuple(
        one
        for one in band_limits(analysis, band=band)
        if kind_of(one) not in ("not reached", "can't tell")
    )


def limited_bands(analysis: Analysis) -> tuple[str, ...]:
    """Return everything that has limits: bands from low to high, then drive units."""
    names = dict.fromkeys(one.band for one in analysis.limits)
    return (
        *(name for name in _BAND_NAMES if name in names),
        *(name for name in names if name not in _BAND_NAMES),
    )


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


def limit_label(limit: Limit, *, facts: FactTable) -> str:
    """Return a limit that is or may be reached, as short as a picture needs it: ``"90–96"``."""
    if kind_of(limit) == "may be":
        return "perhaps"
    return limit_text(limit, facts=facts).removesuffix(" dB").replace(" to ", "–")


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
