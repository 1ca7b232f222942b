"""What opens the numbers that stand folded behind the main line."""

from reportlib.judge.records import Analysis
from reportlib.numbers import level_text
from reportlib.session.day import Test
from reportlib.write.facts import limit_key
from reportlib.write.quotes import FactTable, written
from reportlib.write.readings_sweeps import farthest_told, limited_rows, out_of_reach
from reportlib.write.writer import Said, Writer

_TESTED: dict[Test, str] = {
    "short_term": "numbers/tested-turned-up",
    "long_term": "numbers/tested-left-playing",
}


def numbers(writer: Writer) -> str:
    """Draft the numbers' opening: in a sentence, what a table of limits would say everywhere."""
    analysis = writer.analysis
    said = [writer.say("numbers/intro")]
    if analysis.limits and not limited_rows(analysis):
        said.append(_no_limit(analysis, wording="numbers/no-limit", facts=writer.facts,
                              said=writer.say))  # fmt: skip
    return writer.page("numbers", paragraphs=said)


def beyond(analysis: Analysis, *, facts: FactTable, said: Said) -> str:
    """Say of a table of limits what a dash means, and that rows left out would hold no more."""
    named = limited_rows(analysis)
    shown = {one.band in named for one in analysis.limits if out_of_reach(analysis, one)}
    wordings = {True: "numbers/dash", False: "numbers/no-other-limit"}
    return " ".join(
        _no_limit(analysis, wording=wordings[one], facts=facts, said=said)
        for one in sorted(shown, reverse=True)
    )


def _no_limit(analysis: Analysis, *, wording: str, facts: FactTable, said: Said) -> str:
    """Say up to where limits were looked for."""
    told = [one for one in analysis.limits if one.tested_to_db is not None]
    tests = [test for test in _TESTED if any(one.test == test for one in told)]
    tops = [
        written(facts[f"{limit_key(farthest_told(analysis, test=one))}.tested"]) for one in tests
    ]
    tested = (
        said("numbers/tested-both", level=tops[0], playing=tops[1])
        if len(tops) > 1
        else said(_TESTED[tests[0]], level=tops[0])
    )
    least = level_text(min(one.threshold_db for one in analysis.limits))
    return said(wording, least=least, tested=tested)
