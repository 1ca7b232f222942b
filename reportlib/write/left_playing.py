"""The narrative of the long-term test: as heard while it played, else as the sweeps saw it.

How each band ends, how fast its loss comes, what the sweep then saw.
"""

from collections.abc import Sequence

from reportlib.judge.grades import grade_of
from reportlib.judge.heard import WORDS
from reportlib.judge.thresholds import MEAN_LIMITS_DB
from reportlib.judge.verdict import ends_of
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.records import End, Playing, Recovery, band_ends
from reportlib.numbers import LEAST_U95_DB, levels_text
from reportlib.write.facts import stress_key
from reportlib.write.readings_stress import (
    bands_untold,
    distortion_ends,
    last_recovery,
    levels_played,
    why_untold,
)
from reportlib.write.readings_sweeps import last_curves
from reportlib.write.together import (
    Fare,
    alike,
    does,
    fare_of,
    heard_words,
    listing,
    names,
    none,
    sentences,
    size,
)
from reportlib.write.untold import why_untold as why_curve_untold
from reportlib.write.writer import Writer, minutes, plain, spoken

_ALONE = {"at-swept": "swept-alone", "at-later": "later-alone"}
"""What is said once of levels of which only a part is known."""


def left_playing(writer: Writer) -> str:
    """Return the slot's Markdown: what was played, how each level ended, and how it came."""
    entries = writer.analysis.session.long_term
    if not entries:
        return writer.page("left-playing", paragraphs=[writer.say("left-playing/not-tested")])
    levels = [entry.level_db for entry in entries]
    heard = {one.level_db: one for one in levels_played(writer.analysis)}
    lengths = sorted({entry.elapsed_s(len(entry.stages) - 1) for entry in entries})
    elapsed = f"{'up to ' if len(lengths) > 1 else ''}{minutes(lengths[-1])}"
    ends = [writer.say("left-playing/played", elapsed=elapsed, levels=levels_text(levels))]
    told: list[tuple[list[float], str, list[str]]] = []
    untold: dict[str, list[float]] = {}
    for level in levels:
        found, missing = (
            _while_playing(writer, heard[level]) if level in heard else _by_sweeps(writer, level)
        )
        for wording, clauses in found:
            # Levels at which the same is said, and no number, share it.
            if told and told[-1][1:] == (wording, clauses) and "](#" not in "".join(clauses):
                told[-1][0].append(level)
            else:
                told.append(([level], wording, clauses))
        for one in missing:
            untold.setdefault(one, []).append(level)
    for index, (at, wording, clauses) in enumerate(told):
        first = writer.say(f"left-playing/{wording}", levels=levels_text(at))
        ends += sentences(clauses, first=first)
        if wording in _ALONE and all(one[1] != wording for one in told[index + 1 :]):
            ends.append(writer.say(f"left-playing/{_ALONE[wording]}"))
    for one, at in untold.items():
        first = "" if at == levels else writer.say("left-playing/at", levels=levels_text(at))
        ends += sentences([one], first=first)
    paragraphs = [ends]
    if heard:
        loudest = heard[max(heard)]
        paragraphs.append([*_pace(writer, loudest), *_swept(writer, loudest)])
        paragraphs.append([*_adds(writer, loudest), *_coil(writer)])
    paragraphs.insert(2, _heard(writer, max(levels)))
    return writer.page("left-playing", paragraphs=[" ".join(one) for one in paragraphs if one])


_Told = tuple[list[tuple[str, list[str]]], list[str]]
"""How what is told begins, and its clauses; clauses on what can't be told."""


def _by_sweeps(writer: Writer, level_db: float) -> _Told:
    """Say what the sweep after a level's last stage saw, which is the least there was."""
    last = {
        one.band: one
        for one in writer.analysis.bands
        if one.test == "long_term" and one.level_db == level_db
    }
    fares = [fare_of(one) for one in last.values() if one.grade != "can't tell"]
    curves = [curve for curve in last_curves(writer.analysis) if curve.level_db == level_db]
    why = {
        band.name: why_curve_untold(writer, [band.name], curves=curves)
        for band in BANDS
        if band.name not in {fare.band for fare in fares}
    }
    return _said(writer, {"at-swept": fares}, why=why)


def _while_playing(writer: Writer, playing: Playing) -> _Told:
    """Say how each band ended, graded as turned up; what is not since cold is said apart.

    As the sweep afterwards saw it where that alone tells a band, or saw more.
    """
    fares = {end.name: (end.since_cold, _fare(playing, end)) for end in band_ends(playing)}
    swept = {
        one.band: fare_of(one)
        for results in ends_of(writer.analysis)[0]
        for one in results
        if one.level_db == playing.level_db and one.source != "multitone"
    }
    for band in swept.keys() & fares.keys():
        if fares[band][1].severity >= swept[band].severity:
            del swept[band]
    left = {band: pair for band, pair in fares.items() if band not in swept}
    return _said(
        writer,
        {
            "at": [fare for since_cold, fare in left.values() if since_cold],
            "at-later": [fare for since_cold, fare in left.values() if not since_cold],
            "at-swept": list(swept.values()),
        },
        why={
            band: why_untold(playing, band) for band in bands_untold(playing) if band not in swept
        },
    )


def _fare(playing: Playing, end: End) -> Fare:
    grade, may_be = grade_of(
        end.change_db, end.change_db, mean_u95_db=end.u95_db, worst_u95_db=end.u95_db
    )
    track = playing.group(end.name)
    assert track is not None
    return Fare(
        band=end.name,
        level_db=end.level_db,
        grade=grade,
        may_be=may_be,
        change_db=end.change_db,
        u95_db=end.u95_db,
        size=f"{stress_key(playing, track)}.{'end' if end.since_cold else 'later'}",
    )


def _said(writer: Writer, told: dict[str, list[Fare]], *, why: dict[str, str]) -> _Told:
    """Say of every band at one level how it ended, or why that can't be told."""
    unsure = {fare.band: "too uncertain" for fares in told.values() for fare in fares
              if fare.grade == "can't tell"}  # fmt: skip
    found = []
    for wording, fares in told.items():
        groups = alike([fare for fare in fares if fare.band not in unsure])
        if groups:
            found.append(
                (wording, [_clause(writer, one, at_least=wording in _ALONE) for one in groups])
            )
    reasons: dict[str, list[str]] = {}
    for band in BANDS:
        if band.name in {**why, **unsure}:
            reasons.setdefault({**why, **unsure}[band.name], []).append(band.name)
    return found, [
        writer.say(
            "left-playing/untold",
            bands=none(bands),
            can="can" if len(bands) == len(BANDS) else "can’t",
            why=reason,
        )
        for reason, bands in reasons.items()
    ]


def _clause(writer: Writer, group: Sequence[Fare], *, at_least: bool) -> str:
    values = {"bands": names([fare.band for fare in group]), "does": does(group)}
    if group[0].by_point:
        return writer.say("left-playing/fares-at-points", **values)
    if not group[0].surely:
        return writer.say("turned-up/fares", **values)
    amount = size(writer, group, at_least=at_least)
    change = "louder" if group[0].gains else "quieter"
    return writer.say("left-playing/fares-by", amount=amount, change=change, **values)


MATTERS_DB = MEAN_LIMITS_DB[0]
"""A change of a band as a whole that is worth its words, as for grades."""
_MARKED_RISE_DB = 3.0
_TEN_MINUTES_S = 600.0


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


def _quote(writer: Writer, playing: Playing, *, band: str, part: str) -> str:
    track = playing.group(band)
    assert track is not None
    return writer.quote(f"{stress_key(playing, track)}.{part}")


def _pace(writer: Writer, playing: Playing) -> list[str]:
    """How fast the largest loss came, and what 10 min would make of it."""
    worst = worst_end([playing])
    track = playing.group(worst.name) if worst is not None else None
    fit = track.fit if track is not None else None
    if worst is None or fit is None or not fit.terms:
        return []
    values = {"band": spoken(worst.name)}
    times = [
        _quote(writer, playing, band=worst.name, part=f"time-{index}") if term.identifiable else ""
        for index, term in enumerate(fit.terms, start=1)
    ]
    parts = ("the loss",) if len(times) == 1 else ("a quick part of the loss", "a slow part of it")
    found = []
    if len(times) == 2 and all(times):
        found.append(writer.say("left-playing/pace-two", quick=times[0], slow=times[1], **values))
    else:
        found += [
            writer.say("left-playing/pace", part=part, time=time, **values)
            for part, time in zip(parts, times, strict=True)
            if time
        ]
    if worst.elapsed_s >= _TEN_MINUTES_S:
        return found
    if fit.projected_600_s_db is not None:
        loss = _quote(writer, playing, band=worst.name, part="at-600")
        return [*found, writer.say("left-playing/ten-minutes", loss=loss, **values)]
    if all(times):
        return [*found, writer.say("left-playing/ten-minutes-open")]
    untimed = "A slow part" if times[0] else "A quick part"
    if not any(times):
        untimed = f"The loss in the {spoken(worst.name)}"
    return [*found, writer.say("left-playing/untimed", part=untimed)]


def _swept(writer: Writer, playing: Playing) -> list[str]:
    """What the sweep after the last stage saw of the largest loss, and whether that fits."""
    worst = worst_end([playing])
    found: list[str] = []
    recovery = last_recovery(playing, band=worst.name) if worst is not None else None
    if recovery is not None:
        found.append(_saw(writer, playing, recovery=recovery))
    others = [
        one.name
        for one in (last_recovery(playing, band=band.name) for band in BANDS)
        if one is not None and one is not recovery and one.agreement == "disagrees"
        if max(abs(one.end_db), abs(one.seen_db)) >= MATTERS_DB
    ]
    if others:
        found.append(writer.say("left-playing/disagrees", bands=listing(others)))
    return found


def _saw(writer: Writer, playing: Playing, *, recovery: Recovery) -> str:
    lost = -recovery.seen_db > 0.5 * LEAST_U95_DB
    band = recovery.name
    values = {
        "band": spoken(band),
        "after": _quote(writer, playing, band=band, part="after"),
        "swept": _quote(writer, playing, band=band, part="swept") if lost else "no loss",
    }
    if recovery.agreement == "agrees":
        return writer.say("left-playing/swept-agrees", **values)
    if recovery.agreement == "disagrees":
        left = _quote(writer, playing, band=band, part="left")
        return writer.say("left-playing/swept-disagrees", left=left, **values)
    return writer.say("left-playing/swept", **values)


def _heard(writer: Writer, level_db: float) -> list[str]:
    """Say what the loudest level changed for the ear, as the sweep afterwards saw it."""
    found = [
        one
        for one in writer.analysis.audible
        if one.test == "long_term" and one.level_db == level_db
    ]
    if not found or found[0].heard not in WORDS[1:]:
        return []
    return [writer.say("left-playing/heard", **heard_words(writer, found[0], part="most"))]


def _adds(writer: Writer, playing: Playing) -> list[str]:
    """Where distortion and noise grew markedly as it played: the band where it grew most."""
    grown = []
    for end in band_ends(playing):
        track = playing.group(end.name)
        ends = distortion_ends(track) if track is not None else None
        if ends is not None and ends[1] - ends[0] >= _MARKED_RISE_DB:
            grown.append((ends[1] - ends[0], end.name))
    if not grown:
        return []
    band = max(grown)[1]
    return [
        writer.say(
            "left-playing/adds",
            band=spoken(band),
            first=_quote(writer, playing, band=band, part="added-first"),
            last=_quote(writer, playing, band=band, part="added"),
        )
    ]


def _coil(writer: Writer) -> list[str]:
    """Say why no coil can be told, where its voltage and current were recorded."""
    if any(one.coil is not None for one in writer.analysis.playing):
        return []
    why = [one.no_coil for one in writer.analysis.playing if one.no_coil]
    return [writer.say("left-playing/coil-untold", why=plain(why[-1]))] if why else []
