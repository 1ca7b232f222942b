"""What the words of any report obey together, whatever was measured.

`broken` reads all drafts, captions and tables of a day as one text, as a reader does, and compares
them with each other and with the grades; `ill_said` needs no more than a finished page's words.
Neither shares anything with what decides or words.
"""

import itertools
import re
from collections import defaultdict

from first_screen import MOST_WORDS, NAMES, PLURAL, SINGULAR, plain, sentences
from first_screen import broken as first_screen_broken

from reportlib.judge.causes.table import CAUSE_NAMES, NONE_SHOWN
from reportlib.judge.grades import LOSS_GRADES, grade_of
from reportlib.judge.verdict import conclude_first
from reportlib.measure.stress.records import band_ends

BUDGETS = {
    "in-short": 130, "at-your-seat": 105, "care": 65, "turned-up": 150, "left-playing": 150,
    "why": 100, "how-measured": 85,
}  # fmt: skip
"""Most words of a section, without its heading; most need half."""
NEVER = re.compile(
    r"\b(?:likely|probably|perhaps|give or take|matters|reckon\w*|gift|gives? in|parted|stress"
    r"|captures?|trade’s sum|rings in|peaky|as the most|single room modes|named below|hotter"
    r"|does not agree|stayed within|too short for|behind)\b",
    re.IGNORECASE,
)
UNFINISHED = re.compile(r"\bNone\b(?!: )|\bnan\b|\{\{|\binf\b|\d K\b")
ILL_FORMED = re.compile(r"\.\.(?!\.)| [,;.](?!\d)|[,;] ?[,;]")
STANDS_IN_ITS_ROW = ("short.", "long.", "limit.", "coil.", "step.")
"""Of these facts; of others, the row tells what they are of."""
BASES = {base: grade for grade, base in SINGULAR.items()}
QUOTE = re.compile(r"\[([^\]]+)\]\(#fact-([^)]+)\)")
NAME = "(?:bass|low mids|mids|presence range|treble)"
BANDED = (
    rf"(?P<bands>(?:[Tt]he|its) {NAME}(?:, {NAME})*(?: and {NAME})?|[Ee]very band"
    rf"|[Ee]verything from the {NAME} up|[Ee]verything up to the {NAME}|[Ee]verything)"
)
DOES = re.compile(
    BANDED + r" (?P<first>first )?(?P<sure>holds?|slips?|falls? short|gives? out|rises?(?: much)?)?"
    r"(?: and )?(?:may (?P<may>slip|fall short|give out|rise much|rise))?(?P<rest>\W.*)?$"
)
SHORT = re.compile(
    BANDED + r" (?:is|are) [\d.]+ dB short (?P<where>at|between|by) (?P<low>[\d.]+)"
    r"(?: and (?P<high>[\d.]+))? dB(?: \((?P<in_low>[\d.]+) to (?P<in_high>[\d.]+)\))?"
)
SIZE = re.compile(
    r"(?<!minutes )(?<!minute )at (?P<level>[\d.]+) dB "
    + BANDED
    + r" (?P<does>(?:and |may |slips?|falls? short|gives? out|rises?|much| )+?)(?: together)?, "
    r"(?:by )?(?P<size>(?:at least |about )?[\d.]+(?: to [\d.]+)? dB)",
    re.IGNORECASE,
)


def broken(analysis, drafts, *, shown=()):
    """Return what is wrong with a report's words, one line each; nothing where all is well.

    `shown` are its pictures and tables.
    """
    texts = {slot: drafts[slot].split("\n", 1)[1].strip() for slot in BUDGETS}
    whole = " ".join([*map(plain, texts.values()), *_captions(shown)])
    return [
        *first_screen_broken(analysis, drafts["in-short"]),
        *itertools.chain.from_iterable(_form(slot, text) for slot, text in texts.items()),
        *ill_said(whole),
        *(_around(whole, found) for found in ILL_FORMED.finditer(whole)),
        *_one_rounding(texts, shown),
        *_once(texts),
        *_one_number(texts),
        *_agreement(" ".join(map(plain, texts.values()))),
        *_turned_up(analysis, plain(texts["turned-up"])),
        *_left_playing(analysis, plain(texts["left-playing"])),
        *_asked_for(analysis, texts),
        *_causes(analysis, texts["why"]),
    ]


def ill_said(text):
    """Return what no reader should find in any words."""
    for rule in (NEVER, UNFINISHED):
        yield from (f"{found[0]!r} in: {_around(text, found)}" for found in rule.finditer(text))


def _around(text, found):
    return text[max(0, found.start() - 60) : found.end() + 40]


def _captions(shown):
    return [words for one in shown for words in (one.caption, getattr(one, "alt", ""))]


def _form(slot, text):
    words = len(plain(text).split())
    if words > BUDGETS[slot]:
        yield f"{slot}: {words} words"
    for one in sentences(plain(text)):
        if len(one.split()) > MOST_WORDS and not one.startswith("With care"):
            yield f"{slot}: {len(one.split())} words: {one}"
        if not one.endswith(".") or not (one[0].isupper() or one[0] in "“0123456789"):
            yield f"{slot}: no whole sentence: {one}"


def _one_rounding(texts, shown):
    """One value reads the same in every section, and as its row in the tables has it."""
    read = defaultdict(set)
    for text in texts.values():
        for words, name in QUOTE.findall(text):
            read[name].add(re.sub(r"^−| [^\d ]+$", "", words))
    rows = {
        anchor: " ".join(row)
        for table in shown
        for anchors, row in zip(
            getattr(table, "anchors", ()), getattr(table, "rows", ()), strict=False
        )
        for anchor in anchors.split()
    }
    for name, found in read.items():
        if len(found) > 1:
            yield f"{name} reads {sorted(found)}"
        row = rows.get(f"fact-{name}", "") if name.startswith(STANDS_IN_ITS_ROW) else ""
        if row and not any(words in row for words in found):
            yield f"{name} reads {sorted(found)}, in its table {row}"


def _once(texts):
    """No section says again what another said; the first screen sums them up."""
    said = {}
    for slot, text in texts.items():
        quotes = [name for _, name in QUOTE.findall(text) if not name.startswith("test.")]
        for name in {name for name in quotes if quotes.count(name) > 1}:
            if slot != "in-short":
                yield f"{slot}: {name} stands twice"
        for one in sentences(text):
            facts = frozenset(name for _, name in QUOTE.findall(one))
            same = one if len(facts) < 2 else facts
            at_a_level = DOES.match(one.rstrip("."))  # as may be said of each
            if same in said and "in-short" not in (slot, said[same]) and not at_a_level:
                yield f"{slot} says again what {said[same]} does: {one}"
            said.setdefault(same, slot)


def _one_number(texts):
    """No two sections give bands other sizes at a level, or other levels of being short."""
    mine, theirs = ({}, {}), ({}, {})
    for (sizes, limits), slot in ((mine, "in-short"), (theirs, "turned-up")):
        text, level = plain(texts[slot]), ""
        for one in itertools.chain.from_iterable(s.split("; ") for s in sentences(text)):
            at = re.match(r"[Aa]t ([\d.]+ dB) ", one)
            level = at[1] if at else level
            clause = one if at else f"at {level} {one}"
            for found in SIZE.finditer(clause):
                sizes[found["level"], tuple(named(found["bands"]))] = found["size"]
            if one.lower().startswith("left playing,"):
                continue
            for found in SHORT.finditer(one):
                limits[tuple(named(found["bands"]))] = found
    for key in mine[0].keys() & theirs[0].keys():
        if mine[0][key] != theirs[0][key]:
            yield f"{key}: {mine[0][key]} first, then {theirs[0][key]}"
    for bands, found in mine[1].items():
        for others, other in theirs[1].items():
            if (
                bands == others
                and found[0][len(found["bands"]) :] != other[0][len(other["bands"]) :]
            ):
                yield f"{found[0]}, then {other[0]}"
            (low, high), (other_low, other_high) = _span(found), _span(other)
            if set(bands) & set(others) and (low > other_high or high < other_low):
                yield f"{found[0]}, then {other[0]}"


def _span(found):
    ends = found["in_low"] or found["low"], found["in_high"] or found["high"] or found["low"]
    low, high = map(float, ends)
    return (0.0 if found["where"] == "by" else low), high


def named(words):
    """Return the bands that words name."""
    every, words = list(NAMES.values()), words.lower()
    if words in ("every band", "everything"):
        return every
    spoken = re.findall(NAME, words)
    bands = [NAMES[one] for one in spoken]
    if not words.startswith("everything"):
        return bands
    at = every.index(bands[0])
    return every[at:] if words.endswith(" up") else every[: at + 1]


def is_plural(words):
    """Whether a verb after these bands is in the plural."""
    return not words.lower().startswith("every") and (
        len(named(words)) > 1 or named(words)[0] in PLURAL
    )


def _agreement(text):
    verbs = "|".join(["is", "are", "was", "were", *SINGULAR.values(), *SINGULAR])
    for found in re.finditer(rf"{BANDED} (?:first )?(?P<verb>{verbs})\b", text):
        before = text[: found.start()].rstrip()
        if before.endswith((" in", "In", "of", "for", "to")):
            continue
        plural = found["verb"] in {"are", "were", *SINGULAR.values()}
        if plural != is_plural(found["bands"]):
            yield f"number: {found[0]}"


def clauses(text):
    """Return what is said of bands: levels (none where none is named), names, grades, the rest."""
    found, level = [], []
    for sentence in sentences(text):
        lead = re.match(r"At ((?:[\d. ,]|and)+) dB(?:[^;:]*?(?:,|:))? (?=the |every)", sentence)
        level = [float(one) for one in re.findall(r"[\d.]+", lead[1])] if lead else level
        for clause in (sentence[lead.end() :] if lead else sentence).rstrip(".").split("; "):
            told = DOES.match(clause)
            if told and (told["sure"] or told["may"]):
                found.append((level, told))
    return found


def grades_said(told):
    """Return a clause's grade and what it may be."""
    sure, may = BASES.get(told["sure"], told["sure"]), BASES.get(told["may"])
    return (sure, may) if sure else ("holds", may)


def _turned_up(analysis, text):
    short = [
        one for one in analysis.bands if one.test == "short_term" and one.grade != "can't tell"
    ]
    said = set()
    for level, told in clauses(text):
        for band in named(told["bands"]):
            said.add(band)
            mine = [one for one in short if one.band == band]
            if grades_said(told) == ("holds", None):
                if {(one.grade, one.grade_may_be) for one in mine} != {("holds", None)}:
                    yield f"{band} does not hold: {told[0]}"
                continue
            at = re.search(r"at ([\d.]+) dB$", told["rest"] or "") if told["first"] else None
            (one,) = [one for one in mine if one.level_db == (float(at[1]) if at else level[0])]
            if not told["first"] and grades_said(told) != (one.grade, one.grade_may_be):
                yield f"{one.grade}, {one.grade_may_be}: {told[0]}"
            if told["first"] and (
                grades_said(told)[0] != one.grade
                or any(
                    other.grade != "holds" and _loses(other) == _loses(one)
                    for other in mine
                    if other.level_db < one.level_db
                )
            ):
                yield f"not first: {told[0]}"
    if said != {one.band for one in short}:
        yield f"{said} are told: {text}"


def _loses(one):
    return one.grade in LOSS_GRADES[1:]


def _left_playing(analysis, text):
    told = {(level, band): grades_said(one) for levels, one in clauses(text)
            for level in levels for band in named(one["bands"])}  # fmt: skip
    swept = {
        (one.level_db, one.band): (one.grade, one.grade_may_be)
        for one in sorted(analysis.bands, key=lambda one: one.elapsed_s)
        if one.test == "long_term"
    }
    played = {
        (end.level_db, end.name): grade_of(
            end.change_db, 0.0, mean_u95_db=end.u95_db, worst_u95_db=0.0
        )
        for one in analysis.playing
        for end in band_ends(one)
    }
    for at, grade in told.items():
        if grade not in (swept.get(at), played.get(at)):
            yield f"{at}: {swept.get(at)}, {played.get(at)}, but {grade}"
    for at, grade in (swept | played).items():
        if grade[0] != "can't tell" and at not in told:
            yield f"nothing of {at}: {text}"
    verdict = conclude_first(analysis).left_playing
    for one in verdict.results if verdict is not None else ():
        # what was lost before the recording began is a part of which no verdict knows
        later = "since the recording began" in text
        if told.get((one.level_db, one.band)) != (one.grade, one.grade_may_be) and not later:
            yield f"the verdict has {one.band} {one.grade}, {one.grade_may_be}: {text}"


def _asked_for(analysis, texts):
    """Nothing is asked for that was measured, and what was set agrees with what is said of it."""
    text, why = plain(" ".join(texts.values())), texts["why"]
    coils = [one.coil for one in analysis.playing if one.coil is not None]
    heated = [one for one in analysis.findings if one.cause == "heat-coil"]
    measured = any(one.high_hz > coil.low_hz for one in heated for coil in coils)
    if measured and "measure the coil’s resistance" in why:
        yield f"the coil was measured: {why}"
    rig = analysis.session.rig
    if rig.reference_at == "terminals" and "the voltage at the terminals" in why:
        yield f"the voltage was recorded: {why}"
    if analysis.playing and re.search(r"record the sound while it plays", why):
        yield f"it was recorded while it played: {why}"
    calibrated, met = "Levels are calibrated." in text, "if the asked-for level was met" not in text
    if "without a pause" in text and calibrated != met:
        yield f"calibrated: {calibrated}, met: {met}"


def _causes(analysis, why):
    """Causes are said as surely as they are, and each loss of the verdict has its word."""
    stand = [one for one in analysis.findings if f"**{CAUSE_NAMES[one.cause]}**" in why]
    for one in analysis.findings:
        said = [line for line in sentences(why) if f"**{CAUSE_NAMES[one.cause]}**" in line]
        if bool(said) != (one.cause != NONE_SHOWN and one.confidence != "low"):
            yield f"{one.cause}, {one.confidence}: {why}"
        word = "fits" if one.confidence == "high" else "could"
        if not all(f" {word} " in line for line in said):
            yield f"{one.cause} is of {one.confidence} confidence: {said}"
    if not analysis.findings:
        return
    lost = [one for one in analysis.bands if _loses(one)]
    lost += [one for group in conclude_first(analysis).worst if group.loses
             for one in group.results if _loses(one)]  # fmt: skip
    for one in lost:
        covers = [
            finding
            for finding in stand
            if one.level_db in (finding.levels_db or (one.level_db,))
            and finding.low_hz < one.high_hz
            and one.low_hz < finding.high_hz
        ]
        if not covers and "no cause shows for" not in why:
            yield f"no word on {one.band} at {one.level_db:g} dB: {why}"
