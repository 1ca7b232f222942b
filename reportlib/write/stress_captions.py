"""Captions and alternative texts of the figures about the stress; rules as in `captions`."""

from reportlib.judge.records import Analysis
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.records import CoilTrack, End, Playing, band_ends
from reportlib.numbers import (
    change_words,
    counted,
    db_amount,
    db_number,
    duration,
    frequency,
    hz_range_text,
    level_text,
    levels_text,
    listed,
    sentence,
    true_minus,
)
from reportlib.write.captions import by_band, interval, joined
from reportlib.write.readings_curves import StressMap, stress_map
from reportlib.write.readings_stress import (
    CoilEnd,
    bands_untold,
    coil_end,
    levels_played,
    swept,
    timeline,
    why_untold,
    with_coil,
)


def caption_minute_by_minute(analysis: Analysis) -> str:
    """Say what had been lost when the stress ended, what the marks are, what can't be told."""
    levels = levels_played(analysis)
    if not levels:
        return ""
    loudest = levels[-1]
    return joined(
        _largest(loudest),
        "Dots: what was heard while it played; the line through them: the curve fitted to it."
        if any(end.since_cold for end in band_ends(loudest))
        else "Dots: what was heard while it played.",
        "Diamonds: the sweeps, which come later, when part of the loss has gone; the dotted line "
        "ties each to the value when the stress ended."
        if any(swept(loudest, band=band.name) for band in BANDS)
        else "",
        "" if timeline(loudest).exact else "A pause of unknown length is not drawn to scale.",
        _untold(loudest),
    )


def alt_minute_by_minute(analysis: Analysis) -> str:
    """Read the end of the stress out, band by band."""
    levels = levels_played(analysis)
    if not levels:
        return ""
    loudest = levels[-1]
    ends = {end.name: end for end in band_ends(loudest)}
    told = [(band.name, _end_words(ends.get(band.name))) for band in BANDS]
    return joined(
        f"Change in output over time while {_levels(levels)} "
        f"{'plays' if len(levels) == 1 else 'play'}, one panel a band.",
        f"At {level_text(loudest.level_db)} after {_elapsed(loudest)}: {by_band(told)}.",
    )


def caption_stress_map(analysis: Analysis) -> str:
    """Say where and when most is lost, what a shade is, what is blank."""
    found = stress_map(analysis)
    if found is None:
        return ""
    zero = "cold" if found.cold_known else "the first period"
    return joined(
        _deepest(found),
        f"Each shade is a step of {true_minus(f'{found.step_db:g}')} dB against {zero}.",
        "Blue is a loss, striped sand a rise."
        if found.gains
        else "The stronger, the more is lost.",
        "Blank: pauses, and the first period of each stage, which rings in.",
        f"Each column is the mean of up to {counted(found.averaged, 'period')}."
        if found.averaged > 1
        else "",
        "" if found.told.all() else "Hatched: can't tell, lost in noise.",
    )


def alt_stress_map(analysis: Analysis) -> str:
    """Say what the map spans, and where it is deepest."""
    found = stress_map(analysis)
    if found is None:
        return ""
    low, high = found.edges_hz[0], found.edges_hz[-1]
    return joined(
        f"A map of the change in output at {level_text(found.level_db)}, from "
        f"{frequency(float(low))} to {frequency(float(high))}, over time.",
        _deepest(found),
    )


def caption_coil(analysis: Analysis) -> str:
    """Say how hot the coil got, and whether what was heard fits that."""
    found = with_coil(analysis)
    end = coil_end(*found) if found else None
    if found is None or end is None:
        return ""
    playing, coil = found
    return joined(
        _hotter(end, level_db=playing.level_db),
        _fits(end, coil=found[1]),
        "Above: its temperature, from its resistance. Below, dashed: the change in output that "
        "this should make; the line: the change that was heard. Soft bands are 95 % intervals.",
        f"The cold coil is taken to have been at {coil.ambient_c:.0f} °C, which nobody wrote down."
        if coil.ambient_assumed
        else "",
    )


def alt_coil(analysis: Analysis) -> str:
    """Read the coil's end out."""
    found = with_coil(analysis)
    end = coil_end(*found) if found else None
    if found is None or end is None:
        return ""
    return joined(
        f"Two curves over time for the drive unit {found[1].unit}: the coil's temperature, and the "
        "change in output.",
        _hotter(end, level_db=found[0].level_db),
        _fits(end, coil=found[1]),
    )


def _levels(levels: tuple[Playing, ...]) -> str:
    return levels_text([one.level_db for one in levels])


def _elapsed(playing: Playing) -> str:
    return duration(max(end.elapsed_s for end in band_ends(playing)))


def _largest(playing: Playing) -> str:
    """Name the largest clear change when the stress ended."""
    ends = band_ends(playing)
    if not ends:
        return f"At {level_text(playing.level_db)} no band can be told."
    at = f"After {_elapsed(playing)} at {level_text(playing.level_db)}"
    clear = [end for end in ends if end.clear]
    if not clear:
        return f"{at} no band has clearly changed."
    most = max(clear, key=lambda end: abs(end.change_db))
    verb = "are" if most.name.endswith("mids") else "is"
    amount = db_amount(most.change_db, u95_db=most.u95_db)
    way = "down" if most.change_db < 0.0 else "up"
    since = "" if most.since_cold else " since the first period"
    return f"{at} the {most.name} {verb} {way} by {amount}{since}{interval(most.u95_db)}."


def _end_words(end: End | None) -> str:
    if end is None:
        return "can't tell"
    against = "cold" if end.since_cold else "at first"
    return change_words(end.change_db, u95_db=end.u95_db, against=against)


def _untold(playing: Playing) -> str:
    why: dict[str, list[str]] = {}
    for band in bands_untold(playing):
        why.setdefault(why_untold(playing, band), []).append(band)
    parts = [f"{listed(bands)} ({reason})" for reason, bands in why.items()]
    return f"Grey, can't tell: {'; '.join(parts)}." if parts else ""


def _deepest(found: StressMap) -> str:
    """Say in which stretch the last columns lie in the deepest shades, and how deep that is."""
    stretch = found.deepest
    if stretch is None:
        return "No tone has clearly changed by a shade or more when the stress ends."
    where = hz_range_text(stretch.low_hz, stretch.high_hz)
    return sentence(
        f"most is lost at {where}: about {db_amount(stretch.change_db)} when the stress ends."
    )


def _hotter(end: CoilEnd, *, level_db: float) -> str:
    way = "hotter" if end.rise_k >= 0.0 else "colder"
    return (
        f"After {duration(end.elapsed_s)} at {level_text(level_db)} the coil is about "
        f"{abs(end.rise_k):.0f} °C {way}."
    )


def _fits(end: CoilEnd, *, coil: CoilTrack) -> str:
    expected = f"That alone should change the output by {db_number(end.expected_db)} dB"
    if end.heard_db is None:
        return f"{expected}; what was heard can't be told."
    verdict = "which fits" if end.agrees else "so the heat is not all of it"
    tones = hz_range_text(coil.low_hz, coil.high_hz)
    heard = f"{db_number(end.heard_db)} dB was heard from its tones, {tones}"
    return f"{expected}; {heard}, {verdict}."
