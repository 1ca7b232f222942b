"""Claims typed by hand, against the data: a labelled corpus, half of it never tuned on."""

from pathlib import Path

import pytest
from builders import make_analysis

from reportlib import results
from reportlib.claims import check_sentence, check_text, data_from_analysis, data_from_files
from reportlib.claims.numbers import amounts
from reportlib.claims.sentences import sentences
from reportlib.facts import collect

LABELS = {"C": "contradicted", "B": "borne out", "O": "can't be checked"}


def corpus():
    text = (Path(__file__).parent / "truth/claims.tsv").read_text("utf-8")
    return [line.split("\t") for line in text.splitlines() if line and line[0] != "#"]


@pytest.fixture(scope="module")
def data():
    return data_from_analysis(make_analysis())


def judged(sentence, data):
    """Return the worst that is said of a text's sentences."""
    found = [one.verdict for one in check_text(sentence, data=data)]
    return next((one for one in LABELS.values() if one in found), "can't be checked")


def table(data, half):
    counted = {(label, said): 0 for label in LABELS.values() for said in LABELS.values()}
    wrong = []
    for part, letter, sentence in corpus():
        if part != half:
            continue
        said = judged(sentence, data)
        counted[LABELS[letter], said] += 1
        if (said == "contradicted") != (letter == "C"):
            wrong.append(f"{LABELS[letter]}, but said {said}: {sentence}")
    return counted, wrong


@pytest.mark.parametrize("half", ["tuned", "held"])
def test_few_are_wrongly_accused_and_most_of_what_is_false_is_found(data, half):
    counted, wrong = table(data, half)
    print(f"\n{half}: label, said, sentences")
    for (label, said), count in counted.items():
        print(f"{label:17s} {said:17s} {count:4d}")
    print("\n".join(wrong))
    false = sum(count for (label, _), count in counted.items() if label == "contradicted")
    right = sum(count for (label, _), count in counted.items() if label != "contradicted")
    accused = sum(
        count
        for (label, said), count in counted.items()
        if said == "contradicted" and label != "contradicted"
    )
    assert false + right >= 75
    assert accused <= 0.03 * right
    assert counted["contradicted", "contradicted"] >= 0.9 * false
    # and it does say that what is true is true, where it can
    assert counted["borne out", "borne out"] >= 0.6 * sum(
        count for (label, _), count in counted.items() if label == "borne out"
    )


def test_kept_files_say_what_the_analysis_says(data):
    analysis = make_analysis()
    kept = data_from_files(
        results_json=results.results_json(analysis, tool_version="0"),
        compression_csv=results.compression_csv((*analysis.short_term, *analysis.long_term)),
        facts_json=results.facts_json(collect(analysis)),
    )
    for _, _, sentence in corpus():
        assert judged(sentence, kept) == judged(sentence, data), sentence


def test_a_contradiction_says_what_the_data_say(data):
    (found,) = check_text("The bass loses only 0.5 dB at 99 dB.", data=data)
    assert found.verdict == "contradicted"
    assert "in the bass at 99 dB" in found.data
    assert "−4.4 to −2.0 dB" in found.data or "−4.4 to −2.1 dB" in found.data


@pytest.mark.parametrize("sentence", ["A good box.", "Read on.", ""])
def test_what_claims_nothing_is_not_listed(data, sentence):
    assert check_sentence(sentence, data=data) is None


@pytest.mark.parametrize(
    ("sentence", "value", "low", "high"),
    [
        ("1.5 dB", 1.5, 1.45, 1.55),
        ("about 1.5 dB", 1.5, 1.275, 1.725),
        ("1,5 dB", 1.5, 1.45, 1.55),
        ("−3 dB", -3.0, -3.5, -2.5),
        ("one and a half decibels", 1.5, 1.25, 1.75),
        ("half a decibel", 0.5, 0.375, 0.625),
        ("1.2 kHz", 1200.0, 1150.0, 1250.0),
        ("1 to 3 dB", 2.0, 0.0, 4.0),
        ("two minutes", 120.0, 90.0, 150.0),
        ("twenty-five metres", 25.0, 24.5, 25.5),
    ],
)
def test_amounts_in_digits_and_words(sentence, value, low, high):
    (found,) = amounts(sentence)
    assert found.value == pytest.approx(value)
    assert (found.low, found.high) == pytest.approx((low, high))


def test_quoted_facts_code_headings_and_tables_are_not_hand_typed():
    text = (
        "# It loses 9 dB\n\nThe [−1.5 dB](#fact-a) stay. `8 dB`\n\n| 7 dB |\n\n"
        "- One *point* at 6 dB\n- Two, see [5 dB](https://example.org)\n"
    )
    assert sentences(text) == ["The … stay.", "One point at 6 dB", "Two, see 5 dB"]
