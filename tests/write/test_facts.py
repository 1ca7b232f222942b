"""Facts: names, writing, and that every number a sentence may need is there once."""

import pytest
from builders import make_analysis

from reportlib.write import data, facts, quotes
from reportlib.write.quotes import Fact


def _fact(name="a", value=1.0, *, unit="dB", digits=1):
    return Fact(name=name, value=value, unit=unit, digits=digits)


def test_a_duplicate_name_stops_the_build():
    with pytest.raises(ValueError, match="'a' is recorded twice"):
        quotes.FactTable([_fact(), _fact()])


def test_an_unknown_name_is_an_error():
    with pytest.raises(KeyError, match=r"no fact is named 'short\.mids'"):
        quotes.FactTable([_fact()])["short.mids"]


@pytest.mark.parametrize(
    ("fact", "text"),
    [
        (_fact(value=-1.46), "−1.5 dB"),
        (_fact(value=-0.04), "0.0 dB"),
        (_fact(value=12.4, digits=0), "12 dB"),
        (_fact(value=997.0, unit="Hz"), "1 kHz"),
        (_fact(value=41.7, unit="Hz"), "42 Hz"),
        (_fact(value=150.0, unit="s"), "2.5 min"),
    ],
)
def test_values_are_written_with_unit_true_minus_and_no_minus_zero(fact, text):
    assert quotes.written(fact) == text


def test_a_quoted_fact_is_an_ordinary_link():
    assert (
        quotes.quoted(_fact("short.mids.94.mean", -1.46)) == "[−1.5 dB](#fact-short.mids.94.mean)"
    )


def test_every_told_band_has_its_facts_and_no_other():
    analysis = make_analysis()
    table = facts.collect(analysis)
    for result in analysis.bands:
        names = {f"{quotes.band_key(result)}.{part}" for part in ("mean", "shortfall", "u95")}
        assert (names <= set(table)) == (result.mean_db is not None)


def test_facts_survive_the_tools_memory():
    table = facts.collect(make_analysis())
    again = data.facts_from_json(data.facts_json(table))
    assert again == dict(table)
