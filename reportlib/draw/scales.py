"""Scales of plots, chosen from the records; where words stand so that none covers another.

A scale of change is deeper on the loss side and never shallower than 1.5 dB, so that a good
loudspeaker's ripple does not fill the picture. What leaves it is listed, never dropped.
"""

import bisect
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from PIL import ImageFont

from reportlib.measure.levels import G, runs
from reportlib.measure.records import ChangeCurve, HarmonicCurves
from reportlib.session.files import FIGURE_FONTS, shipped_font

_LOSS_STEPS_DB = (1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0)
_GAIN_STEPS_DB = (0.5, 1.0, 2.0, 3.0, 4.0)
_BEYOND_DB = (15.0, 20.0, 30.0, 50.0, 100.0, 200.0)
_SHALLOWEST_GAIN_SHARE = 0.2
"""Least part of the loss side's depth above zero: "more than asked" needs room for its words."""
_SECONDS_STEPS = (5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0)
_SECONDS_UNTIL = 180.0
_JOINED = G ** (1.0 / 3.0)


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The ends of a linear scale, in dB; of temperatures in K."""

    low_db: float
    high_db: float


@dataclass(frozen=True, kw_only=True)
class Excursion:
    """A stretch of a curve that leaves the scale, by its farthest point."""

    level_db: float
    frequency_hz: float
    change_db: float


def change_scale(values_db: Iterable[float], *, hold_all: bool = False) -> Scale:
    """Choose a scale for changes.

    More than 12 dB of loss or 4 dB of gain leaves it, unless it is to `hold_all`.

    >>> scale = change_scale([-4.4, 0.3])
    >>> scale.low_db, scale.high_db
    (-5.0, 1.0)
    """
    values = [0.0, *(value for value in values_db if np.isfinite(value))]
    loss_steps = (*_LOSS_STEPS_DB, *_BEYOND_DB) if hold_all else _LOSS_STEPS_DB
    gain_steps = (*_GAIN_STEPS_DB, 6.0, 10.0, *_BEYOND_DB) if hold_all else _GAIN_STEPS_DB
    loss = _first_over(-1.02 * min(values), loss_steps)
    wanted = max(1.02 * max(values), _SHALLOWEST_GAIN_SHARE * loss)
    gain = _first_over(wanted, gain_steps)
    loss = max(loss, _first_over(1.01 * gain, loss_steps))
    return Scale(low_db=-loss, high_db=gain)


def usable_values(curves: Sequence[ChangeCurve], *, range_hz: tuple[float, float]) -> np.ndarray:
    """Return every change that may be used between two frequencies, all curves in one row."""
    parts = [
        curve.change_db[curve.usable & _within(curve.frequency_hz, range_hz)] for curve in curves
    ]
    return np.concatenate([*parts, np.zeros(1)])


def excursions(
    curve: ChangeCurve, *, scale: Scale, range_hz: tuple[float, float]
) -> tuple[Excursion, ...]:
    """Return where the usable part of a curve leaves the scale, lowest frequency first."""
    f = curve.frequency_hz
    here = curve.usable & _within(f, range_hz)
    found: list[Excursion] = []
    for outside in (curve.change_db < scale.low_db, curve.change_db > scale.high_db):
        joined: list[tuple[int, int]] = []
        for first, last in runs(outside & here):
            if joined and f[first] / f[joined[-1][1]] < _JOINED:
                joined[-1] = (joined[-1][0], last)
            else:
                joined.append((first, last))
        for first, last in joined:
            at = first + int(
                np.argmax(np.abs(curve.change_db[first : last + 1]) * here[first : last + 1])
            )
            found.append(
                Excursion(
                    level_db=curve.level_db,
                    frequency_hz=float(f[at]),
                    change_db=float(curve.change_db[at]),
                )
            )
    return tuple(sorted(found, key=lambda excursion: excursion.frequency_hz))


def seconds_ticks(longest_s: float, *, most: int) -> tuple[float, ...]:
    """Return round times from 0 up to `longest_s`, at most `most` steps.

    >>> seconds_ticks(120.0, most=2)
    (0.0, 60.0, 120.0)
    """
    step = next((s for s in _SECONDS_STEPS if longest_s / s <= most), longest_s)
    return tuple(float(tick) for tick in np.arange(int(longest_s / step) + 1) * step)


def warming_scale(values_k: Iterable[float]) -> Scale:
    """Choose a scale that holds every change of temperature, from 0 K or below, 20 K high at least.

    >>> scale = warming_scale([-1.0, 80.0])
    >>> scale.low_db, scale.high_db
    (-1.0, 84.0)
    """
    values = [value for value in values_k if np.isfinite(value)]
    return Scale(low_db=min([*values, 0.0]), high_db=1.05 * max([*values, 20.0]))


@dataclass(frozen=True, kw_only=True)
class TimeTick:
    """A round time and how it is written."""

    at_s: float
    text: str


def time_ticks(longest_s: float, *, most: int) -> tuple[TimeTick, ...]:
    """Return round times from 0 as they are written: in minutes above 3, the last with its unit.

    >>> [tick.text for tick in time_ticks(130.0, most=3)]
    ['0', '60', '120 s']
    >>> [tick.text for tick in time_ticks(610.0, most=3)]
    ['0', '5', '10 min']
    """
    minutes = longest_s > _SECONDS_UNTIL
    times = seconds_ticks(longest_s, most=most)
    texts = [f"{time / 60.0:g}" if minutes else f"{time:g}" for time in times]
    texts[-1] += " min" if minutes else " s"
    return tuple(TimeTick(at_s=t, text=text) for t, text in zip(times, texts, strict=True))


def _first_over(wanted: float, steps: Sequence[float]) -> float:
    return next((step for step in steps if step >= wanted), steps[-1])


def _within(frequency_hz: np.ndarray, range_hz: tuple[float, float]) -> np.ndarray:
    return (frequency_hz >= range_hz[0] * 0.999) & (frequency_hz <= range_hz[1] * 1.001)


def harmonic_scale(harmonics: Sequence[HarmonicCurves], *, range_hz: tuple[float, float]) -> Scale:
    """Choose a scale for harmonics re the fundamental, in steps of 10 dB; not below −100 dB.

    It holds where noise usually covers them.
    """
    inside = [_within(h.frequency_hz, range_hz) for h in harmonics]
    values, floors = (
        np.concatenate(
            [getattr(h, name)[:, at].ravel() for h, at in zip(harmonics, inside, strict=True)]
        )
        for name in ("relative_db", "floor_db")
    )
    values = values[np.isfinite(values)]
    floors = floors[np.isfinite(floors)]
    highest = float(np.max(values if values.size else floors, initial=-40.0))
    usual = float(np.median(floors)) if floors.size else highest
    lowest = min(float(np.min(values, initial=highest - 40.0)), usual)
    high = 10.0 * np.ceil((highest + 1.0) / 10.0)
    low = min(max(10.0 * np.floor((lowest - 1.0) / 10.0), -100.0), high - 40.0)
    return Scale(low_db=float(low), high_db=float(high))


_HINTING = 1.04
"""Letters set on whole pixels need up to so much more room than their outlines say."""
_EM = 2048
"""The font's own units an em: measured at this size, nothing is rounded."""
_NO_TEXT = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (2.2) does not allow, and no name needs."""


@lru_cache(maxsize=2048)
def text_width(text: str, *, size: float, weight: str = "normal") -> float:
    """Return how wide a line of text comes out at most, in pixels, however letters are hinted."""
    font = _font(bold=weight == "bold")
    # Letters as wide as they are high, which the font lacks, are an em wide in all that have them.
    full = sum(unicodedata.east_asian_width(letter) in "WF" for letter in text)
    known = "".join(one for one in text if unicodedata.east_asian_width(one) not in "WF")
    return _HINTING * size * (font.getlength(known) / _EM + full)


@lru_cache(maxsize=2)
def _font(*, bold: bool) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(shipped_font(FIGURE_FONTS[bold]), _EM)


def plain(text: str) -> str:
    """Return a stranger's text with a sign for each character that is none in an XML file."""
    return _NO_TEXT.sub("\ufffd", text)


def fitted(text: str, *, size: float, width: float, weight: str = "normal") -> str:
    """Return the text, shortened with an ellipsis where it is wider than `width`."""
    if text_width(text, size=size, weight=weight) <= width:
        return text
    fits = bisect.bisect_right(
        range(len(text)),
        width,
        key=lambda count: text_width(text[:count] + "…", size=size, weight=weight),
    )
    return text[: max(fits - 1, 0)].rstrip() + "…"


def wrapped(text: str, *, size: float, width: float, weight: str = "normal") -> list[str]:
    """Return the text in lines no wider than `width`, broken between words."""
    space = text_width(" ", size=size, weight=weight)
    lines: list[str] = []
    end = width
    for word in text.split(" "):
        wide = text_width(word, size=size, weight=weight)
        if lines and end + space + wide <= width:
            lines[-1] += f" {word}"
            end += space + wide
        else:
            lines.append(word)
            end = wide
    return lines


def spread(wanted: Sequence[float], *, gap: float, low: float, high: float) -> tuple[float, ...]:
    """Move centres apart by as little as possible.

    Least squares under "no two closer than `gap`", kept inside `low` to `high`. Where more are
    wanted than fit, they are spaced evenly and closer.

    Parameters
    ----------
    wanted : shape (n,), in any order

    Returns
    -------
    shape (n,), in the order of `wanted`

    Examples
    --------
    >>> spread([10.0, 11.0, 40.0], gap=10.0, low=0.0, high=100.0)
    (5.5, 15.5, 40.0)
    """
    count = len(wanted)
    if count == 0:
        return ()
    gap = min(gap, (high - low) / max(count - 1, 1))
    from scipy.optimize import isotonic_regression  # not before a figure has labels to part

    order = sorted(range(count), key=lambda index: (wanted[index], index))
    # With the gaps taken out, "no closer than gap" becomes "never decreasing".
    gaps = gap * np.arange(count)
    flat = isotonic_regression(np.array([wanted[index] for index in order]) - gaps).x
    placed = np.empty(count)
    placed[order] = np.clip(flat, low, max(high - gaps[-1], low)) + gaps
    return tuple(placed.tolist())


def in_order(wanted: Sequence[float], *, within: float) -> tuple[float, ...]:
    """Give near neighbours the order that they are listed in.

    Where a later value lies above an earlier one by less than `within`, the two trade places;
    larger differences stand.

    Examples
    --------
    >>> in_order([12.0, 10.0, 50.0, 20.0], within=5.0)
    (10.0, 12.0, 50.0, 20.0)
    """
    values = list(wanted)
    for _ in values:
        for index in range(len(values) - 1):
            if 0.0 < values[index] - values[index + 1] < within:
                values[index], values[index + 1] = values[index + 1], values[index]
    return tuple(values)


def in_rows(
    centres: Sequence[float], *, widths: Sequence[float], gap: float, low: float, high: float
) -> tuple[tuple[int, float], ...]:
    """Lay labels out in as few rows as needed, each near its centre and inside `low` to `high`.

    Returns
    -------
    one (row, left edge) a label, in the order given; row 0 first
    """
    order = sorted(range(len(centres)), key=lambda index: centres[index])
    ends: list[float] = []
    placed: dict[int, tuple[int, float]] = {}
    for index in order:
        width = widths[index]
        left = min(max(centres[index] - width / 2.0, low), max(high - width, low))
        row = next((row for row, end in enumerate(ends) if left >= end + gap), len(ends))
        if row == len(ends):
            ends.append(left + width)
        else:
            ends[row] = left + width
        placed[index] = (row, left)
    return tuple(placed[index] for index in range(len(centres)))
