"""How figures and captions put numbers into words, on top of how ``facts`` writes them."""

import math
from collections.abc import Sequence

from reportlib.facts import digits_for, frequency, number


def true_minus(text: str) -> str:
    """Return the text with hyphens that stand for minus turned into U+2212."""
    return text.replace("-", "−")


def db_number(value_db: float, *, u95_db: float = 0.0) -> str:
    """Return a signed number of decibels without its unit; 0 has no sign.

    >>> db_number(-2.14, u95_db=0.1), db_number(0.04), db_number(1.26, u95_db=1.4)
    ('−2.1', '0.0', '+1')
    """
    text = number(value_db, digits_for(u95_db))
    return f"+{text}" if value_db > 0.0 and float(text) > 0.0 else text


def db_interval(value_db: float, *, u95_db: float) -> str:
    """Return a signed number of decibels with its interval, which is rounded up.

    >>> db_interval(-1.46, u95_db=0.11)
    '−1.5 ± 0.2 dB'
    """
    digits = digits_for(u95_db)
    half = max(math.ceil(u95_db * 10.0**digits - 1e-9), 1) / 10.0**digits
    return f"{db_number(value_db, u95_db=u95_db)} ± {number(half, digits)} dB"


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
        bound_db = math.ceil(10.0 * (abs(change_db) + u95_db) - 1e-9) / 10.0
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
    return f"{listing([f'{level:g}' for level in levels_db])} dB"


def span_text(levels_db: Sequence[float]) -> str:
    """Return the first and last of some levels: ``"78 to 99 dB"``."""
    last = level_text(levels_db[-1])
    return last if len(levels_db) == 1 else f"{levels_db[0]:g} to {last}"


def hz_range_text(low_hz: float, high_hz: float) -> str:
    """Return two frequencies, to two digits and with one unit where that reads well.

    >>> hz_range_text(40.0, 160.0), hz_range_text(500.0, 2000.0), hz_range_text(19.4, 20592.0)
    ('40–160 Hz', '0.5–2 kHz', '19 Hz–21 kHz')
    """
    low, high = frequency(low_hz), frequency(high_hz)
    if low.endswith("kHz") or high_hz < 1000.0:
        return f"{low.split()[0]}–{high}"
    if low_hz < 100.0:
        return f"{low}–{high}"
    return f"{float(low.split()[0]) / 1000.0:g}–{high}"


def counted(count: int, noun: str) -> str:
    """Return a number of things: ``"1 level"``, ``"5 levels"``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def listing(parts: Sequence[str]) -> str:
    """Join words as a sentence does: a, b and c."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def sentence(text: str) -> str:
    """Return the text with a capital at its start; the rest is left as it is."""
    return text[:1].upper() + text[1:]
