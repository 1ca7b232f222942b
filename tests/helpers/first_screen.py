"""What the first screen of any report must obey, whatever was measured.

`broken` reads a draft as a reader does and compares it with the grades themselves. It shares
nothing with what decides or words the verdict.
"""

import itertools
import re

from reportlib.judge.grades import played_results
from reportlib.judge.records import SEAT_SETUP
from reportlib.measure.levels import BANDS
from reportlib.measure.records import CHAIN_FAULTS

ORDER = ("holds", "rises", "rises much", "slips", "falls short", "gives out")
SINGULAR = {
    "holds": "hold", "slips": "slip", "falls short": "fall short", "gives out": "give out",
    "rises much": "rise much", "rises": "rise",
}  # fmt: skip
SPOKEN = {"presence": "presence range"}
NAMES = {SPOKEN.get(band.name, band.name): band.name for band in BANDS}
ALL = list(NAMES.values())
PLURAL = ("low mids", "mids")
MOST_WORDS = 25

_NAME = "low mids|mids|bass|presence range|treble"
_WHO = (
    rf"(?P<who>everything from the (?:{_NAME}) up|everything up to the (?:{_NAME})"
    rf"|every band told|every band|(?:the|its) (?:{_NAME})(?:(?:, | and )(?:{_NAME}))*)"
)
_VERBS = "|".join(sorted([*SINGULAR, *SINGULAR.values()], key=len, reverse=True))
_DOES = rf"(?P<does>(?:may (?:{_VERBS}))|(?:{_VERBS})(?: and may (?:{_VERBS}))?)"
_LEVEL = r"(?P<level>\d+(?:\.\d+)?) dB"
_PLAYED = rf"left playing (?:[\d.]+ (?:minutes?|s|h)) at {_LEVEL}, {_WHO} {_DOES}"
_TURNED = rf"(?<!\w)at {_LEVEL} {_WHO} {_DOES}"
_GIVES = rf"{_WHO} gives? (?:first|together): (?:it|they) {_DOES} at {_LEVEL}"
_RISES = (
    rf"{_WHO} (?P<does>rises? much|rises?)(?: and may rise much)? (?:first|together) .*?at {_LEVEL}"
)
_MAY = rf"{_WHO} may (?:give|rise) (?:first|together), at {_LEVEL}"


def plain(draft):
    """Return the draft's words without its quotes."""
    return re.sub(r"\[([^\]]+)\]\(#fact-[^)]+\)", r"\1", draft)


def sentences(text):
    return [one for one in re.split(r"(?<=[.!?])\s+(?=[A-Z“])|\n\n", text) if one.strip()]


def counting(analysis):
    """Return what can be told of each level of each test, by the level's last stage."""
    found = {}
    for one in analysis.bands:
        found.setdefault((one.test, one.level_db), {})[one.band] = one
    for one in played_results(analysis.playing):
        level = found.setdefault(("long_term", one.level_db), {})
        swept = level.get(one.band)
        untold = swept is None or swept.grade == "can't tell"
        if one.grade != "can't tell" and (untold or rank(one) >= rank(swept)):
            level[one.band] = one
    told = {
        key: {band: one for band, one in bands.items() if one.grade != "can't tell"}
        for key, bands in found.items()
    }
    faulty = {
        ("short_term", curve.level_db)
        for curve in analysis.short_term
        if not set(CHAIN_FAULTS).isdisjoint(curve.reason)
        and len(told["short_term", curve.level_db]) < len(BANDS)
    }
    return {key: bands for key, bands in told.items() if key not in faulty}


def rank(one):
    may_lose = one.grade_may_be in ORDER[3:]
    return ORDER.index(one.grade) + (0.6 if may_lose else 0.5 if one.grade_may_be else 0.0)


def bands_of(who, told):
    """Return the bands that words name; those of "every band" must be told."""
    if who == "every band":
        return ALL
    if who == "every band told":
        return list(told)
    named = [NAMES[one] for one in re.findall(_NAME, who)]
    if " up" in who and "from" in who:
        return ALL[ALL.index(named[0]) :]
    return ALL[: ALL.index(named[0]) + 1] if who.startswith("everything up") else named


def broken(analysis, draft):
    """Return what is wrong with a first screen, one line each; nothing where it is well."""
    text = plain(draft)
    body = text.split("\n\n", 1)[1]
    verdict, *rest = body.strip().split("\n\n")
    told = counting(analysis)
    return [
        *_form(body, paragraphs=[verdict, *rest]),
        *_numbers(draft),
        *_gravest(verdict, told),
        *_holding(body, told),
        *_grades(body, told),
        *_agreement(body),
        *_seat(rest[0], analysis),
    ]


def _form(body, *, paragraphs):
    if len(paragraphs) not in (2, 3):  # there may be nothing that gives
        yield f"{len(paragraphs)} paragraphs"
    for one in sentences(body):
        # a warning's words are the quality gate's
        if len(one.split()) > MOST_WORDS and not one.startswith("With care"):
            yield f"{len(one.split())} words: {one}"
        if not one.endswith(".") or not one[0].isupper():
            yield f"no whole sentence: {one}"
    if re.search(r"None|nan|\{\{|  |\.\.| [,;.]|[,;] ?[,;]", body):
        yield f"ill-formed: {body}"


def _numbers(draft):
    shown = {}
    for text, name in re.findall(r"\[([^\]]+)\]\(#fact-([^)]+)\)", draft):
        shown.setdefault(name, set()).add(text.removesuffix(" dB"))
    for name, texts in shown.items():
        if len(texts) > 1:
            yield f"{name} reads {texts}"
    for size in re.findall(r"([\d.]+ dB) against ([\d.]+ dB)", plain(draft)):
        yield f"an order: {size}"


def _gravest(verdict, told):
    every = [one for bands in told.values() for one in bands.values()]
    if not every:
        return
    worst = max(every, key=rank)
    if not rank(worst):
        if not re.search(r"holds? up to|shows no loss|every band(?: told)? holds", verdict):
            yield f"everything holds, but: {verdict}"
        return
    words = SINGULAR[worst.grade_may_be or worst.grade]
    wanted = rf"may {words}" if worst.grade_may_be else rf"\b{words.split()[0]}s?\b"
    if not re.search(wanted, verdict):
        yield f"the worst is {worst.grade}, {worst.grade_may_be}, but: {verdict}"


def _holding(body, told):
    """Nothing holds in words that may do otherwise."""
    turned = {level: bands for (test, level), bands in told.items() if test == "short_term"}
    for level in re.findall(rf"(?:holds up to|no loss up to|gives by) {_LEVEL}", body):
        for at, bands in turned.items():
            if at <= float(level) and any(rank(one) > 0.0 for one in bands.values()):
                yield f"not all hold at {at:g} dB: {body}"
    for level in re.findall(rf"and through [^;.]*? at {_LEVEL}", body):
        if any(rank(one) > 0.0 for one in told["long_term", float(level)].values()):
            yield f"not all hold through {level} dB: {body}"
    for level in re.findall(rf"loses nothing up to {_LEVEL}", body):
        losing = {*ORDER[3:]}
        for at, bands in turned.items():
            if at <= float(level) and any(
                {one.grade, one.grade_may_be} & losing for one in bands.values()
            ):
                yield f"something loses at {at:g} dB: {body}"
    found = re.search(r"[Ff]rom (\d+(?:\.\d+)?) (k?Hz) up,", body)
    if found and turned:
        low_hz = float(found[1]) * (1000.0 if found[2] == "kHz" else 1.0)
        loudest = turned[max(turned)]
        for band in BANDS:
            if band.high_hz > low_hz * 1.05 and band.name not in loudest:
                yield f"{band.name} can't be told: {body}"


def _grades(body, told):
    """What words say that bands do at a level is what they were graded."""
    for test, pattern in (
        ("long_term", _PLAYED), ("short_term", _TURNED), ("", _GIVES), ("", _RISES), ("", _MAY),
    ):  # fmt: skip
        for found in re.finditer(pattern, body, re.IGNORECASE):
            before = body[: found.start()].rstrip()
            mine = test or (
                "long_term" if before.lower().endswith("left playing,") else "short_term"
            )
            if test == "short_term" and re.search(r"left playing [^;.]*$", before):
                continue
            level = told.get((mine, float(found["level"])))
            if level is None:
                yield f"{found[0]}: no such level"
                continue
            for band in bands_of(found["who"].lower(), level):
                one = level.get(band)
                if one is None:
                    yield f"{found[0]}: {band} can't be told"
                elif "does" in found.groupdict() and found["does"] not in saying(one):
                    yield f"{found[0]}: {band} {one.grade}, {one.grade_may_be}"
                elif "does" not in found.groupdict() and not one.grade_may_be:
                    yield f"{found[0]}: {band} {one.grade} surely"


def saying(one):
    """Return the ways in which a grade may be said, in both numbers."""
    forms = {one.grade, SINGULAR[one.grade]}
    if one.grade_may_be is None:
        return forms
    may = f"may {SINGULAR[one.grade_may_be]}"
    return {may} if one.grade == "holds" else {f"{form} and {may}" for form in forms} | forms


def _agreement(body):
    verbs = rf"(?P<verb>{'|'.join([*SINGULAR.values()])}|holds|slips|falls|gives|rises|is|are)\b"
    for found in re.finditer(rf"{_WHO} {verbs}", body, re.IGNORECASE):
        who, verb = found["who"].lower(), found["verb"]
        alone = re.fullmatch(rf"(?:the|its) ({_NAME})", who)
        plural = not who.startswith("every") and (alone is None or alone[1] in PLURAL)
        said = verb in {*SINGULAR.values(), "are"}
        if said != plural:
            yield f"number: {found[0]}"


def _seat(line, analysis):
    answers = {one.need: one for one in analysis.needs if one.setup == SEAT_SETUP}
    untested = [
        one
        for one in answers.values()
        if "not tested" in (one.peaks, one.peaks if one.played_to_db is None else one.answer)
    ]
    if "louder wasn't tested" in line.lower():
        rest = [one for one in answers.values() if one not in untested]
        for one, other in itertools.product(untested, rest):
            if one.peak_high_db < other.peak_high_db:
                yield f"{one.need} is no louder than {other.need}: {line}"
    for need, one in answers.items():
        said = re.search(rf"{need}[^;.]* (?:wasn't|weren't) tested", line)
        if said and one not in untested:
            yield f"{need} was tested: {line}"
