"""How a number, an interval, a level, a frequency, a name and a list are written, once.

Everything that people read goes through here: drafts, captions, tables, figures, the cursor.

An expanded uncertainty is written with one significant digit, to the nearest, but up where that
would cut more than a tenth of it, and never as less than 0.1 dB; a value is written to the place
of its uncertainty (JCGM 100:2008, 7.2.6, leaves both to judgement: "it may be appropriate to
round uncertainties up rather than to the nearest digit"). Grades use unrounded numbers.
"""

import datetime
import math
import re
from collections.abc import Sequence

LEAST_U95_DB = 0.1
"""No change in level is told to less than this: half of it is what levels repeat to."""
_MOST_CUT = 0.1
_SAME_DIGIT = 0.05
"""An end of a bracket that lies within this share of a digit is on it."""


def number(value: float, digits: int) -> str:
    """Write a number with a true minus sign and no minus zero.

    >>> number(-1.46, 1), number(-0.04, 1)
    ('−1.5', '0.0')
    """
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return true_minus(text)


def true_minus(text: str) -> str:
    """Return the text with hyphens that stand for minus turned into U+2212."""
    return text.replace("-", "−")


def half_width(u95: float, *, least: float = LEAST_U95_DB) -> float:
    """Round an expanded uncertainty as it is written.

    >>> half_width(0.104), half_width(0.123), half_width(2.003), half_width(0.96), half_width(0.0)
    (0.1, 0.2, 2.0, 1.0, 0.1)
    """
    if u95 <= least:
        return least
    step = 10.0 ** math.floor(math.log10(u95))
    nearest = math.floor(u95 / step + 0.5)
    if nearest * step < (1.0 - _MOST_CUT) * u95:
        nearest += 1
    return round(nearest * step, 10)


def digits_for(u95_db: float) -> int:
    """Return to how many decimals a value with this uncertainty is written.

    >>> digits_for(0.104), digits_for(0.96), digits_for(12.0)
    (1, 0, 0)
    """
    return max(-math.floor(math.log10(half_width(u95_db)) + 1e-9), 0)


def outwards(value: float, *, digits: int, up: bool) -> float:
    """Round an end of a bracket away from its middle, unless it is as good as on a digit.

    >>> outwards(-1.93, digits=1, up=False), outwards(-1.93, digits=1, up=True)
    (-2.0, -1.9)
    """
    scale = 10.0**digits
    if up:
        return math.ceil(value * scale - _SAME_DIGIT) / scale
    return math.floor(value * scale + _SAME_DIGIT) / scale


def highest_end(high: float, *, digits: int, tested: float | None) -> tuple[float, int]:
    """Round the upper end of a bracket as `outwards`, but not past the highest level tested.

    Returns
    -------
    value, digits : as it is written; with the digits of the tested level where that is the end

    >>> highest_end(98.4, digits=0, tested=100.3), highest_end(100.2, digits=0, tested=100.3)
    ((99.0, 0), (100.3, 1))
    """
    end = outwards(high, digits=digits, up=True)
    if tested is None:
        return end, digits
    most = outwards(tested, digits=level_digits(tested), up=False)
    return (end, digits) if end <= most else (most, max(digits, level_digits(tested)))


def level_digits(level_db: float) -> int:
    """Return how many decimals a level is written with: none where it is as good as whole."""
    return 0 if abs(level_db - round(level_db)) <= _SAME_DIGIT else 1


def frequency(value_hz: float) -> str:
    """Write a frequency for reading: two significant digits, kHz from 1 kHz up.

    >>> frequency(41.7), frequency(1234.0), frequency(16000.0)
    ('42 Hz', '1.2 kHz', '16 kHz')
    """
    rounded = round(value_hz, 1 - math.floor(math.log10(value_hz)))
    return f"{rounded / 1000:g} kHz" if rounded >= 1000.0 else f"{rounded:g} Hz"


def duration(value_s: float) -> str:
    """Write a length of time for reading.

    >>> duration(18.0), duration(120.0), duration(90.0), duration(9000.0)
    ('18 s', '2 min', '90 s', '2.5 h')
    """
    if value_s >= 7200.0:
        return f"{value_s / 3600:.3g} h"
    if value_s >= 120.0:
        return f"{value_s / 60:.3g} min"
    return f"{value_s:.3g} s"


def level_key(level_db: float) -> str:
    """Write a level as it stands in names: ``94``, ``82.5``."""
    return f"{level_db:g}"


def db_number(value_db: float, *, u95_db: float = 0.0) -> str:
    """Return a signed number of decibels without its unit; 0 has no sign.

    >>> db_number(-2.14, u95_db=0.1), db_number(0.04), db_number(1.26, u95_db=1.4)
    ('−2.1', '0.0', '+1')
    """
    text = number(value_db, digits_for(u95_db))
    return f"+{text}" if value_db > 0.0 and float(text) > 0.0 else text


def db_interval(value_db: float, *, u95_db: float) -> str:
    """Return a signed number of decibels with its interval.

    >>> db_interval(-1.46, u95_db=0.12)
    '−1.5 ± 0.2 dB'
    """
    half = number(half_width(u95_db), digits_for(u95_db))
    return f"{db_number(value_db, u95_db=u95_db)} ± {half} dB"


def u95_text(u95_db: float) -> str:
    """Return the interval alone: ``"0.2 dB"``."""
    return f"{number(half_width(u95_db), digits_for(u95_db))} dB"


def db_amount(value_db: float, *, u95_db: float = 0.0) -> str:
    """Return a size in decibels with its unit, as many digits as its interval supports.

    >>> db_amount(-2.14)
    '2.1 dB'
    """
    return f"{number(abs(value_db), digits_for(u95_db))} dB"


def change_words(change_db: float, *, u95_db: float = 0.0, against: str = "asked") -> str:
    """Return a change in words.

    A change that its 95 % interval does not tell apart from none is given as the interval's
    far end, which holds either way.

    >>> change_words(-2.14, u95_db=0.2), change_words(-0.1, u95_db=0.2)
    ('2.1 dB short', 'within 0.3 dB of what was asked')
    >>> change_words(0.81, u95_db=0.2), change_words(-1.3, u95_db=0.2, against="before")
    ('0.8 dB more than asked', '1.3 dB less than before')
    """
    if abs(change_db) <= u95_db:
        bound_db = outwards(abs(change_db) + u95_db, digits=1, up=True)
        return f"within {bound_db:.1f} dB of {'what was asked' if against == 'asked' else against}"
    amount = db_amount(change_db, u95_db=u95_db)
    if change_db > 0.0:
        return f"{amount} more than {against}"
    return f"{amount} short" if against == "asked" else f"{amount} less than {against}"


def comes_out(band: str) -> str:
    """Return the verb in the number of the band's name.

    >>> comes_out("bass"), comes_out("low mids")
    ('comes out', 'come out')
    """
    return "come out" if band.endswith("mids") else "comes out"


def share_text(share: float) -> str:
    """Return a share in percent to two digits, never with an exponent.

    >>> share_text(0.0224), share_text(1.84), share_text(0.00046)
    ('2.2 %', '180 %', '0.046 %')
    """
    percent = 100.0 * share
    digits = max(1 - math.floor(math.log10(percent)), 0) if percent > 0.0 else 0
    return f"{float(f'{percent:.2g}'):.{digits}f} %"


def level_text(level_db: float) -> str:
    """Return an asked-for level: ``"99 dB"``."""
    return true_minus(f"{level_db:g} dB")


def levels_text(levels_db: Sequence[float]) -> str:
    """Return levels in one breath: ``"78, 84 and 90 dB"``."""
    return f"{listed([f'{level:g}' for level in levels_db])} dB"


def span_text(levels_db: Sequence[float]) -> str:
    """Return the first and last of some levels: ``"78 to 99 dB"``."""
    last = level_text(levels_db[-1])
    return last if len(levels_db) == 1 else f"{levels_db[0]:g} to {last}"


def hz_range_text(low_hz: float, high_hz: float) -> str:
    """Return two frequencies, to two digits and with one unit where that reads well.

    >>> hz_range_text(40.0, 160.0), hz_range_text(500.0, 2000.0), hz_range_text(19.4, 20592.0)
    ('40–160 Hz', '0.5–2 kHz', '19 Hz–21 kHz')
    >>> hz_range_text(20.6, 21.2)
    'about 21 Hz'
    """
    low, high = frequency(low_hz), frequency(high_hz)
    if low == high:
        return f"about {low}"
    if low.endswith("kHz") or high_hz < 1000.0:
        return f"{low.split()[0]}–{high}"
    if low_hz < 100.0:
        return f"{low}–{high}"
    return f"{float(low.split()[0]) / 1000.0:g}–{high}"


def counted(count: int, noun: str) -> str:
    """Return a number of things: ``"1 level"``, ``"5 levels"``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def listed(parts: Sequence[str], *, word: str = "and") -> str:
    """Join words as a sentence does.

    >>> listed(["bass", "mids", "treble"])
    'bass, mids and treble'
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {word} {parts[-1]}"


def sentence(text: str) -> str:
    """Return the text with a capital at its start; the rest is left as it is."""
    return text[:1].upper() + text[1:]


def day_text(day: datetime.date) -> str:
    """Return a day as people write it, e.g. ``4 May 2026``."""
    return f"{day.day} {day:%B} {day.year}"


def slug(name: str, *, other: str = "") -> str:
    """Return a name as it stands in names of facts, anchors and files; `other` if nothing is left.

    >>> slug("low mids"), slug("Trivet 6!"), slug("潮汐", other="session-3")
    ('low-mids', 'trivet-6', 'session-3')
    """
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or other
