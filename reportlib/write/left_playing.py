"""The narrative of the long-term test: as heard while it played, else as the sweeps saw it.

How much is lost, how fast it comes, what the sweep then saw.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.judge.records import BandResult
from reportlib.judge.thresholds import MEAN_LIMITS_DB
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.records import End, Playing, Recovery, ThermalFit, band_ends
from reportlib.numbers import duration, hz_range_text, listed
from reportlib.write.facts import coil_key, stress_key
from reportlib.write.listener import left_playing_heard
from reportlib.write.readings_stress import (
    bands_untold,
    coil_end,
    distortion_ends,
    last_recovery,
    levels_played,
    too_slow,
    why_untold,
    with_coil,
)
from reportlib.write.writer import Writer, decibels, is_gain, is_loss, plain, spoken


def left_playing(writer: Writer) -> str:
    """Return the slot's Markdown, quietest level first."""
    entries = writer.analysis.session.long_term
    if not entries:
        return writer.page(
            "left-playing", intro=writer.say("left-playing/not-tested"), paragraphs=[]
        )
    longest = max(entry.elapsed_s(len(entry.stages) - 1) for entry in entries)
    heard = {entry.level_db: played_paragraphs(writer, entry.level_db) for entry in entries}
    recorded = [decibels(level_db) for level_db, found in heard.items() if found is not None]
    wording = "while-playing" if len(recorded) == len(entries) else "while-playing-some"
    intro = writer.say(
        f"left-playing/{wording}" if recorded else "left-playing/intro",
        elapsed=duration(longest),
        levels=listed([decibels(entry.level_db) for entry in entries]),
        recorded=listed(recorded),
    )
    told: list[tuple[list[str], list[str]]] = []
    for level_db, found in heard.items():
        level = decibels(level_db)
        if found is None:
            sentences = [_by_sweeps(writer, level_db)]
            if recorded:
                sentences.insert(0, writer.say("left-playing/not-recorded", level=level))
            found = [" ".join(sentences)]
        told.append(([level], found))
    paragraphs = [one for _, found in _alike(told) for one in found]
    return writer.page("left-playing", intro=intro, paragraphs=paragraphs)


def _alike(told: Sequence[tuple[list[str], list[str]]]) -> list[tuple[list[str], list[str]]]:
    """Say once what two levels in turn have in common: a sentence that quotes nothing."""
    found: list[tuple[list[str], list[str]]] = []
    for levels, said in told:
        if found and len(said) == 1 and "](#" not in said[0]:
            before, there = found[-1]
            rest = said[0].removeprefix(f"At {levels[0]}")
            start = f"At {listed(before)}"
            if len(there) == 1 and there[0] == start + rest:
                both = [*before, *levels]
                found[-1] = (both, [f"At {listed(both)}{rest}"])
                continue
        found.append((levels, said))
    return found


def _by_sweeps(writer: Writer, level_db: float) -> str:
    """Say what the sweep after a level's last stage saw."""
    level = decibels(level_db)
    last = {
        one.band: one
        for one in writer.analysis.bands
        if one.test == "long_term" and one.level_db == level_db
    }
    told = [one for one in last.values() if one.grade != "can't tell"]
    if not told:
        return writer.say("left-playing/cant-tell", level=level)
    lower = [one for one in told if is_loss(one)]
    higher = [one for one in told if is_gain(one)]
    sentences = [
        _changed(writer, f"left-playing/{wording}", results=results, part=part)
        for wording, results, part in (("loses", lower, "shortfall"), ("gains", higher, "mean"))
        if results
    ]
    heard = left_playing_heard(writer, level_db=level_db, changed=bool(sentences))
    sentences = sentences or [writer.say("left-playing/holds", level=level)]
    return " ".join(filter(None, (*sentences, heard)))


def _changed(writer: Writer, wording: str, *, results: Sequence[BandResult], part: str) -> str:
    """Say which bands came back lower (or higher) after the last stage, the most first."""
    ordered = sorted(results, key=lambda one: -abs(one.mean_db or 0.0))
    widest = max(ordered, key=lambda one: one.u95_db or 0.0)
    return writer.say(
        wording,
        level=decibels(ordered[0].level_db),
        elapsed=duration(ordered[0].elapsed_s),
        changes=listed(
            [f"the **{spoken(one.band)}** by {writer.of(one, part)}" for one in ordered]
        ),
        u95=writer.of(widest, "u95"),
    )


MATTERS_DB = MEAN_LIMITS_DB[0]
"""A change of a band as a whole that is worth its words, as for grades."""
_MARKED_RISE_DB = 3.0
_TEN_MINUTES_S = 600.0
_GONE = (
    (0.05, "gone-hardly"),
    (0.175, "gone-little"),
    (0.375, "gone-quarter"),
    (0.625, "gone-half"),
    (0.875, "gone-three-quarters"),
    (float("inf"), "gone-nearly"),
)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Level:
    """One level while it plays, and how its numbers are quoted."""

    writer: Writer
    playing: Playing

    def quote(self, band: str, part: str) -> str:
        track = self.playing.group(band)
        assert track is not None
        return self.writer.quote(f"{stress_key(self.playing, track)}.{part}")

    def fit(self, band: str) -> ThermalFit | None:
        track = self.playing.group(band)
        return track.fit if track is not None else None


def matters(end: End) -> bool:
    """Whether a change is told apart from none and as large as a grade would name, as written."""
    return end.clear and round(abs(end.change_db), 1) >= MATTERS_DB


def worst_end(playing: Sequence[Playing]) -> End | None:
    """Return the largest loss against cold that matters, over all levels."""
    losses = [
        end
        for one in playing
        for end in band_ends(one)
        if end.since_cold and end.change_db < 0.0 and matters(end)
    ]
    return min(losses, key=lambda end: end.change_db, default=None)


def played_paragraphs(writer: Writer, level_db: float) -> list[str] | None:
    """Return the paragraphs about one level while it plays; the loudest gets all of them.

    None where nothing of it can be told.
    """
    played = levels_played(writer.analysis)
    found = [one for one in played if one.level_db == level_db]
    if not found:
        return None
    level = _Level(writer=writer, playing=found[0])
    paragraphs = [" ".join(_ends(level))]
    if found[0] is played[-1]:
        paragraphs += [" ".join(part) for part in (_pace(level), _sweep(level)) if part]
        paragraphs += [" ".join(part) for part in (_adds(level), _coil(writer)) if part]
    return paragraphs


def _ends(level: _Level) -> list[str]:
    ends = band_ends(level.playing)
    cold = [end for end in ends if end.since_cold]
    later = [end for end in ends if not end.since_cold]
    found = _since_cold(level, cold) if cold else []
    if later:
        found += _since_first(level, later)
    return [*found, *_untold(level)]


def _since_cold(level: _Level, ends: Sequence[End]) -> list[str]:
    say = level.writer.say
    facts = _when(level, ends)
    lost = [end for end in ends if end.change_db < 0.0 and matters(end)]
    risen = [end for end in ends if end.change_db > 0.0 and matters(end)]
    found = []
    if lost:
        found.append(
            say("left-playing/end-loses", changes=_changes(level, lost, part="end"), **facts)
        )
    if risen:
        changes = _changes(level, risen, part="change")
        found.append(say("left-playing/end-gains", changes=changes, **facts))
    if not found:
        every = len(ends) == len(BANDS)
        return [say("left-playing/end-holds" if every else "left-playing/end-holds-told", **facts)]
    # Where an interval reaches beyond, "within 0.5 dB" would say too much.
    close = [end for end in ends if abs(end.change_db) + end.u95_db <= MATTERS_DB]
    rest = [spoken(end.name) for end in close]
    if rest:
        found.append(say("left-playing/end-rest", bands=listed(rest)))
    return found


def _since_first(level: _Level, ends: Sequence[End]) -> list[str]:
    lost = [end for end in ends if end.change_db < 0.0 and matters(end)]
    facts = _when(level, ends)
    if not lost:
        return [level.writer.say("left-playing/later-holds", **facts)]
    changes = _changes(level, lost, part="later")
    return [level.writer.say("left-playing/later-loses", changes=changes, **facts)]


def _when(level: _Level, ends: Sequence[End]) -> dict[str, str]:
    return {
        "level": decibels(level.playing.level_db),
        "elapsed": duration(max(end.elapsed_s for end in ends)),
    }


def _changes(level: _Level, ends: Sequence[End], *, part: str) -> str:
    """List changes, the largest first; the first with its interval spelled out."""
    ordered = sorted(ends, key=lambda end: -abs(end.change_db))
    return listed(
        [
            f"{level.quote(end.name, part)} in the **{spoken(end.name)}** "
            f"({'give or take ' if index == 0 else '± '}{level.quote(end.name, 'u95')})"
            for index, end in enumerate(ordered)
        ]
    )


def _untold(level: _Level) -> list[str]:
    why: dict[str, list[str]] = {}
    for band in bands_untold(level.playing):
        why.setdefault(why_untold(level.playing, band), []).append(spoken(band))
    return [
        level.writer.say("left-playing/end-untold", bands=listed(bands), why=reason)
        for reason, bands in why.items()
    ]


def _worst(level: _Level) -> End | None:
    return worst_end([level.playing])


def _pace(level: _Level) -> list[str]:
    """How fast the largest loss comes, and what 10 min would make of it."""
    worst = _worst(level)
    fit = level.fit(worst.name) if worst is not None else None
    if worst is None or fit is None:
        return []
    say, band = level.writer.say, worst.name
    told = {
        f"time_{index}": level.quote(band, f"time-{index}")
        for index, term in enumerate(fit.terms, start=1)
        if term.identifiable
    }
    slow_end = any(too_slow(level.playing, term) for term in fit.terms)
    wording, values = _pace_wording(told, terms=len(fit.terms), slow_end=slow_end)
    found = [say(f"left-playing/{wording}", band=spoken(band), **values)]
    if not fit.terms:
        return found
    if fit.projected_600_s_db is None:
        why = plain(fit.refusal).rstrip(".")
        reason = f"{why[:1].upper()}{why[1:]}." if why else ""
        return [*found, say("left-playing/ten-minutes-refused", why=reason)]
    played = worst.elapsed_s >= _TEN_MINUTES_S
    return [
        *found,
        say(
            "left-playing/ten-minutes-played" if played else "left-playing/ten-minutes",
            loss=level.quote(band, "at-600"),
            u95=level.quote(band, "at-600-u95"),
        ),
    ]


def _pace_wording(
    told: dict[str, str], *, terms: int, slow_end: bool
) -> tuple[str, dict[str, str]]:
    quick, slow = told.get("time_1"), told.get("time_2")
    if terms == 0:
        return "pace-no-curve", {}
    if quick is None and slow is None:
        return ("pace-too-slow" if slow_end else "pace-untold"), {}
    if terms == 1 and quick is not None:
        return "pace-one", {"time": quick}
    if quick is not None and slow is not None:
        return "pace-two", {"quick": quick, "slow": slow}
    if quick is not None:
        wording = "pace-quick-part" if slow_end else "pace-quick-part-alone"
        return wording, {"quick": quick}
    return "pace-slow-part", {"slow": slow or ""}


def _sweep(level: _Level) -> list[str]:
    """What the sweep after the last stage saw of the largest loss, and whether that fits."""
    worst = _worst(level)
    found: list[str] = []
    recovery = last_recovery(level.playing, band=worst.name) if worst is not None else None
    if worst is not None and recovery is not None:
        found.append(_swept(level, recovery))
    others = [
        one.name
        for one in (last_recovery(level.playing, band=band.name) for band in BANDS)
        if one is not None and one is not recovery and one.agreement == "disagrees"
    ]
    if others:
        too = recovery is not None and recovery.agreement == "disagrees"
        wording = "sweep-disagrees-too" if too else "sweep-disagrees-elsewhere"
        bands = listed([spoken(band) for band in others])
        found.append(level.writer.say(f"left-playing/{wording}", bands=bands))
    return found


def _swept(level: _Level, recovery: Recovery) -> str:
    band = recovery.name
    values = {
        "band": spoken(band),
        "after": level.quote(band, "after"),
        "swept": level.quote(band, "swept"),
        "u95": level.quote(band, "swept-u95"),
    }
    if recovery.agreement == "agrees":
        share = 1.0 - recovery.expected_db / recovery.end_db if recovery.end_db else 0.0
        wording = next(name for limit, name in _GONE if share < limit)
        gone = level.writer.say(f"left-playing/{wording}")
        return level.writer.say("left-playing/sweep-agrees", gone=gone, **values)
    if recovery.agreement == "disagrees":
        left = level.quote(band, "left")
        return level.writer.say("left-playing/sweep-disagrees", left=left, **values)
    return level.writer.say("left-playing/sweep-cant-tell", **values)


def _adds(level: _Level) -> list[str]:
    """Where distortion and noise grew markedly as it played: the band where it grew most."""
    grown = []
    for end in band_ends(level.playing):
        track = level.playing.group(end.name)
        ends = distortion_ends(track) if track is not None else None
        if ends is not None and ends[1] - ends[0] >= _MARKED_RISE_DB:
            grown.append((ends[1] - ends[0], end.name))
    if not grown:
        return []
    band = max(grown)[1]
    return [
        level.writer.say(
            "left-playing/adds",
            band=spoken(band),
            first=level.quote(band, "added-first"),
            last=level.quote(band, "added"),
        )
    ]


def _coil(writer: Writer) -> list[str]:
    found = with_coil(writer.analysis)
    end = coil_end(*found) if found else None
    if found is None or end is None:
        why = [one.no_coil for one in writer.analysis.playing if one.no_coil]
        return [writer.say("left-playing/coil-untold", why=plain(why[-1]))] if why else []
    playing, coil = found
    key = coil_key(playing)
    values = {
        "unit": plain(coil.unit),
        "rise": writer.quote(f"{key}.rise"),
        "u95": writer.quote(f"{key}.rise-u95"),
        "expected": writer.quote(f"{key}.expected"),
    }
    if end.agrees is None:
        return [writer.say("left-playing/coil-alone", **values)]
    wording = "left-playing/coil-fits" if end.agrees else "left-playing/coil-differs"
    tones = hz_range_text(coil.low_hz, coil.high_hz)
    return [writer.say(wording, heard=writer.quote(f"{key}.heard"), tones=tones, **values)]
