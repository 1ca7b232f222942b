"""Captions and alternative texts of the figures about the stress; rules as in `captions`."""

import numpy as np

from reportlib.judge.records import Analysis
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.records import CoilTrack, End, Playing, band_ends, fit_stays
from reportlib.numbers import (
    change_words,
    db_amount,
    db_number,
    duration,
    frequency,
    hz_range_text,
    level_text,
    levels_text,
    listed,
)
from reportlib.write.captions import by_band, grey, result_words, told_over, told_to
from reportlib.write.readings_curves import StressMap, stress_map
from reportlib.write.readings_stress import (
    CoilEnd,
    bands_untold,
    coil_end,
    levels_played,
    swept,
    timeline,
    why_hidden,
    why_untold,
    with_coil,
)
from reportlib.write.readings_sweeps import last_curves, last_result, long_term_levels
from reportlib.write.together import names
from reportlib.write.writer import Said


def caption_minute_by_minute(analysis: Analysis, *, said: Said) -> str:
    """Say what the marks are, how well the ends are told, and what can't be told."""
    levels = levels_played(analysis)
    curves = last_curves(analysis)
    if not levels:
        if not curves:
            return ""
        return said(
            "left-playing/caption-minute-by-minute",
            dots="",
            left="",
            diamonds=said("left-playing/diamonds"),
            told=told_over(analysis, curves, said=said),
            pause="",
            untold=grey(analysis, curves, said=said),
        )
    loudest = levels[-1]
    fits = [
        track
        for end in band_ends(loudest)
        if (track := loudest.group(end.name)) is not None and np.isfinite(track.fitted_db).any()
    ]
    left = [one.name for one in fits if not fit_stays(loudest, one)]
    swept_too = any(swept(loudest, band=band.name) for band in BANDS)
    return said(
        "left-playing/caption-minute-by-minute",
        dots=said("left-playing/dots-and-fit" if len(left) < len(fits) else "left-playing/dots"),
        left=said("left-playing/no-curve", bands=names(left).replace("every", "any"))
        if left
        else "",
        diamonds=said("left-playing/diamonds") if swept_too else "",
        pause="" if timeline(loudest).exact else said("left-playing/pause-unknown"),
        told=told_to([end.u95_db for one in levels for end in band_ends(one)], said=said),
        untold=_untold(loudest, said=said),
    )


def alt_minute_by_minute(analysis: Analysis, *, said: Said) -> str:
    """Read the end out, band by band: of the stress, or of the last sweep."""
    levels = levels_played(analysis)
    curves = last_curves(analysis)
    if levels:
        loudest_db, elapsed = levels[-1].level_db, _elapsed(levels[-1])
        ends = {end.name: end for end in band_ends(levels[-1])}
        told = [(band.name, _end_words(ends.get(band.name))) for band in BANDS]
        played = [one.level_db for one in levels]
    elif curves:
        loudest_db, elapsed = curves[-1].level_db, duration(curves[-1].elapsed_s)
        told = [
            (band.name, result_words(last_result(analysis, band=band.name, curve=curves[-1])))
            for band in BANDS
        ]
        played = list(long_term_levels(analysis))
    else:
        return ""
    return said(
        "left-playing/alt-minute-by-minute",
        levels=levels_text(played),
        verb="plays" if len(played) == 1 else "play",
        loudest=level_text(loudest_db),
        elapsed=elapsed,
        bands=by_band(told, said=said),
    )


def caption_stress_map(analysis: Analysis, *, said: Said) -> str:
    """Say where and when most is lost, what a shade is, what is blank."""
    found = stress_map(analysis)
    if found is None:
        return ""
    why = why_hidden(levels_played(analysis)[-1])
    return said(
        "left-playing/caption-stress-map",
        deepest=_deepest(found, said=said),
        shade=said(
            "left-playing/shade-cold" if found.cold_known else "left-playing/shade-first-period",
            step=level_text(found.step_db),
        ),
        hues=said("left-playing/hues-gains" if found.gains else "left-playing/hues"),
        hatched="" if found.told.all() else said("left-playing/hatched", why=why),
    )


def alt_stress_map(analysis: Analysis, *, said: Said) -> str:
    """Say what the map spans, and where it is deepest."""
    found = stress_map(analysis)
    if found is None:
        return ""
    return said(
        "left-playing/alt-stress-map",
        level=level_text(found.level_db),
        low=frequency(float(found.edges_hz[0])),
        high=frequency(float(found.edges_hz[-1])),
        deepest=_deepest(found, said=said),
    )


def caption_coil(analysis: Analysis, *, said: Said) -> str:
    """Say how hot the coil got, and whether what was heard fits that."""
    found = with_coil(analysis)
    end = coil_end(*found) if found else None
    if found is None or end is None:
        return ""
    playing, coil = found
    ambient = f"{coil.ambient_c:.0f} °C"
    return said(
        "left-playing/caption-coil",
        hotter=_hotter(end, level_db=playing.level_db, said=said),
        fits=_fits(end, coil=found[1], said=said),
        ambient=said("left-playing/ambient", ambient=ambient) if coil.ambient_assumed else "",
    )


def alt_coil(analysis: Analysis, *, said: Said) -> str:
    """Read the coil's end out."""
    found = with_coil(analysis)
    end = coil_end(*found) if found else None
    if found is None or end is None:
        return ""
    return said(
        "left-playing/alt-coil",
        unit=found[1].unit,
        hotter=_hotter(end, level_db=found[0].level_db, said=said),
        fits=_fits(end, coil=found[1], said=said),
    )


def _elapsed(playing: Playing) -> str:
    return duration(max(stage.elapsed_s for stage in playing.stages if stage.recorded))


def _end_words(end: End | None) -> str:
    if end is None:
        return "can't tell"
    against = "cold" if end.since_cold else "at first"
    return change_words(end.change_db, u95_db=end.u95_db, against=against)


def _untold(playing: Playing, *, said: Said) -> str:
    why: dict[str, list[str]] = {}
    for band in bands_untold(playing):
        why.setdefault(why_untold(playing, band), []).append(band)
    parts = [f"{listed(bands)} ({reason})" for reason, bands in why.items()]
    return said("figures/grey", parts="; ".join(parts)) if parts else ""


def _deepest(found: StressMap, *, said: Said) -> str:
    """Say in which stretch the last columns lie in the deepest shades, and how deep that is."""
    stretch = found.deepest
    if stretch is None:
        return said("left-playing/deepest-none")
    return said(
        "left-playing/deepest",
        where=hz_range_text(stretch.low_hz, stretch.high_hz),
        amount=db_amount(stretch.change_db),
    )


def _hotter(end: CoilEnd, *, level_db: float, said: Said) -> str:
    return said(
        "left-playing/hotter" if end.rise_k >= 0.0 else "left-playing/colder",
        elapsed=duration(end.elapsed_s),
        level=level_text(level_db),
        amount=f"{abs(end.rise_k):.0f} °C",
    )


def _fits(end: CoilEnd, *, coil: CoilTrack, said: Said) -> str:
    expected = f"{db_number(end.expected_db)} dB"
    if end.heard_db is None:
        return said("left-playing/fits-untold", expected=expected)
    which = "less than that" if end.heard_db > end.expected_db else "more than that explains"
    return said(
        "left-playing/fits",
        expected=expected,
        heard=f"{db_number(end.heard_db)} dB",
        tones=hz_range_text(coil.low_hz, coil.high_hz),
        which="which fits" if end.agrees else which,
    )
