"""A cell whose grades changed under its words is marked, and the mark is settled by reading."""

import copy
import datetime

import loop
import pytest
from nbformat.v4 import new_markdown_cell

from reportlib.errors import ReportError
from reportlib.publish import history, ready
from reportlib.publish.merge import cell_name, slot, text_digest
from reportlib.publish.read_again import reasons
from reportlib.write.facts import judgements_of
from reportlib.write.quotes import Fact, place_of

MEAN = "short.mids.94.mean"
QUOTING = f"The mids hold: they lose [−1.5 dB](#fact-{MEAN})."
NOW_SLIPS = "mids at 94 dB: “holds” then, “slips” now"


def edit(folder, name, words):
    made = loop.saved(folder)
    for cell in made.cells:
        if slot(cell) == name:
            cell.source = words
    loop.save(folder, made)


def notes(folder):
    return [cell_name(cell) for cell in loop.saved(folder).cells if cell_name(cell)[:6] == "fresh-"]


@pytest.fixture
def marked(tmp_path):
    """Words written when the mids held; now they slip."""
    loop.run(tmp_path, 1)
    edit(tmp_path, "turned-up", "## Turned up\n\nThe mids keep up all the way.")
    assert loop.run(tmp_path, 2).read_again == {}
    done = loop.run(tmp_path, 3)
    assert done.read_again == {"turned-up": ("mids at 94 dB: “holds” then, “slips” now",)}
    return tmp_path


def test_a_marked_cell_keeps_its_words_and_has_the_fresh_draft_behind_it(marked):
    cells = loop.saved(marked).cells
    index = next(i for i, cell in enumerate(cells) if slot(cell) == "turned-up")
    assert cells[index].source == "## Turned up\n\nThe mids keep up all the way."
    assert cell_name(cells[index + 1]) == "fresh-turned-up"
    assert "notebook-only" in cells[index + 1].metadata.tags
    assert loop.drafts(3)["turned-up"] in cells[index + 1].source
    assert "“slips” now" in cells[index + 1].source


def test_it_stays_marked_until_somebody_reads_it_and_is_not_published(marked):
    assert list(loop.run(marked, 4).read_again) == ["turned-up"]
    assert notes(marked) == ["fresh-turned-up"]
    with pytest.raises(ReportError, match=r"read again what you wrote in turned-up \(mids at 94"):
        ready.require_ready(marked, as_it_is=False)
    ready.require_ready(marked, as_it_is=True)


def test_editing_the_words_settles_it(marked):
    edit(marked, "turned-up", "## Turned up\n\nThe mids give a little.")
    ready.require_ready(marked, as_it_is=False)
    assert loop.run(marked, 4).read_again == {}
    assert notes(marked) == []
    assert list(loop.run(marked, 6).read_again) == ["turned-up"]  # and a later change marks anew


def test_deleting_the_note_settles_it(marked):
    made = loop.saved(marked)
    made.cells = [cell for cell in made.cells if cell_name(cell) != "fresh-turned-up"]
    loop.save(marked, made)
    ready.require_ready(marked, as_it_is=False)
    done = loop.run(marked, 4)
    assert done.read_again == {}
    assert "The mids keep up all the way." in loop.saved(marked).cells[3].source


def test_grades_that_come_back_take_the_mark_away(marked):
    assert loop.run(marked, 10).read_again == {}
    assert notes(marked) == []


def test_words_in_the_note_are_kept(marked):
    made = loop.saved(marked)
    for cell in made.cells:
        if cell_name(cell) == "fresh-turned-up":
            cell.source += "\n\nA thought of mine."
    loop.save(marked, made)
    loop.run(marked, 4)
    assert "A thought of mine." in "\n".join(cell.source for cell in loop.saved(marked).cells)


def test_a_cell_that_nobody_edited_is_never_marked(marked):
    assert "in-short" not in loop.run(marked, 6).read_again


def mean(value):
    return [Fact(name=MEAN, value=value, unit="dB", digits=1)]


def own_cell(folder, words):
    made = loop.saved(folder)
    made.cells.append(new_markdown_cell(words))
    loop.save(folder, made)


def sources(folder):
    return [cell.source for cell in loop.saved(folder).cells]


def refused(folder):
    with pytest.raises(ReportError, match="read again what you wrote in") as caught:
        ready.require_ready(folder, as_it_is=False)
    return str(caught.value)


def test_a_number_that_the_run_itself_refreshes_does_not_settle_a_mark(tmp_path):
    loop.run(tmp_path, 1, facts=mean(-1.5))
    edit(tmp_path, "turned-up", QUOTING)
    assert list(loop.run(tmp_path, 3, facts=mean(-1.6)).read_again) == ["turned-up"]
    for value in (-1.7, -1.8):
        assert list(loop.run(tmp_path, 4, facts=mean(value)).read_again) == ["turned-up"]
        assert QUOTING.replace("1.5", str(-value)) in sources(tmp_path)
        assert "turned-up" in refused(tmp_path)
    edit(tmp_path, "turned-up", f"The mids slip by [−1.8 dB](#fact-{MEAN}).")
    assert loop.run(tmp_path, 5, facts=mean(-1.9)).read_again == {}


def test_a_mark_of_an_earlier_version_is_settled_by_reading_alone(tmp_path):
    loop.run(tmp_path, 1, facts=mean(-1.5))
    edit(tmp_path, "turned-up", QUOTING)
    loop.run(tmp_path, 3, facts=mean(-1.5))
    made = loop.saved(tmp_path)
    cell = next(cell for cell in made.cells if slot(cell) == "turned-up")
    assert cell.metadata.upheld.marked_text != text_digest(cell.source)
    cell.metadata.upheld.marked_text = text_digest(cell.source)  # with what stands in brackets
    loop.save(tmp_path, made)
    (tmp_path / ".upheld/memory.json").unlink()
    refused(tmp_path)
    for value in (-1.6, -1.7):
        assert list(loop.run(tmp_path, 4, facts=mean(value)).read_again) == ["turned-up"]
        refused(tmp_path)
    edit(tmp_path, "turned-up", "The mids slip.")
    assert loop.run(tmp_path, 5).read_again == {}


def test_a_cell_of_the_reviewers_own_is_marked_by_the_facts_that_it_quotes(tmp_path):
    loop.run(tmp_path, 1, facts=mean(-1.5))
    own_cell(tmp_path, QUOTING)
    own_cell(tmp_path, "I like it.")
    done = loop.run(tmp_path, 3, facts=mean(-2.5))  # the first run after they were written
    assert done.read_again == {"a cell of yours (“The mids hold: they lose ….”)": (NOW_SLIPS,)}
    assert "a cell of yours (“The mids hold" in refused(tmp_path)
    (note,) = notes(tmp_path)
    at = [cell_name(cell) for cell in loop.saved(tmp_path).cells].index(note)
    assert "2.5 dB" in sources(tmp_path)[at - 1]
    assert NOW_SLIPS in sources(tmp_path)[at]
    assert len(loop.run(tmp_path, 4, facts=mean(-2.6)).read_again) == 1
    assert notes(tmp_path) == [note]
    made = loop.saved(tmp_path)
    made.cells = [cell for cell in made.cells if cell_name(cell) != note]
    loop.save(tmp_path, made)
    ready.require_ready(tmp_path, as_it_is=False)
    assert loop.run(tmp_path, 5, facts=mean(-2.7)).read_again == {}
    assert len(loop.run(tmp_path, 6, facts=mean(-3.7)).read_again) == 1  # and marks anew
    assert "upheld" not in loop.saved(tmp_path).cells[-1].metadata  # nothing to remember there


def test_a_quote_that_is_gone_from_the_words_is_no_reason_any_more(tmp_path):
    loop.run(tmp_path, 1, facts=mean(-1.5))
    own_cell(tmp_path, QUOTING)
    loop.run(tmp_path, 2, facts=mean(-1.5))
    made = loop.saved(tmp_path)
    made.cells[-1].source = "It is what it is."
    loop.save(tmp_path, made)
    assert loop.run(tmp_path, 3, facts=mean(-2.5)).read_again == {}


def told_apart(number):
    return {
        "in-short": "## In short\n\nThis one is for those in a hurry.",
        "turned-up": f"## Turned up\n\nAt [{number} dB](#fact-x) every band kept up. So be it.",
        "care": "## Take care\n\nLoud tests hurt ears and equipment.",
    }


def merge_up(folder, name, *, into):
    made = loop.saved(folder)
    gone = next(cell for cell in made.cells if slot(cell) == name)
    stays = next(cell for cell in made.cells if slot(cell) == into)
    stays.source += "\n\n" + gone.source
    made.cells.remove(gone)
    loop.save(folder, made)


def test_a_draft_merged_into_another_cell_is_marked_there(tmp_path):
    loop.run(tmp_path, 1, drafts=told_apart)
    merge_up(tmp_path, "turned-up", into="care")
    done = loop.run(tmp_path, 3, drafts=told_apart)  # merged and measured again at once
    assert done.read_again == {"care": (NOW_SLIPS,)}
    made = {cell_name(cell): cell.source for cell in loop.saved(tmp_path).cells}
    assert told_apart(3)["turned-up"] in made["fresh-care"]
    edit(tmp_path, "care", told_apart(1)["turned-up"].replace("every band", "Nearly every band"))
    assert loop.run(tmp_path, 4, drafts=told_apart).read_again == {}
    edit(tmp_path, "care", "Loud tests hurt.")  # nothing of the draft is left
    assert loop.run(tmp_path, 6, drafts=told_apart).read_again == {}


def test_a_drafted_sentence_copied_into_a_cell_of_the_reviewers_own_is_marked_there(tmp_path):
    loop.run(tmp_path, 1, drafts=told_apart)
    own_cell(tmp_path, "As it says: so be it. At [1 dB](#fact-x) every band kept up. Well done.")
    assert loop.run(tmp_path, 2, drafts=told_apart).read_again == {}
    (why,) = loop.run(tmp_path, 3, drafts=told_apart).read_again.values()
    assert why == (NOW_SLIPS,)


def test_a_cell_split_in_two_is_marked_once_with_one_note(tmp_path):
    loop.run(tmp_path, 1)
    made = loop.saved(tmp_path)
    at = next(i for i, cell in enumerate(made.cells) if slot(cell) == "turned-up")
    half = copy.deepcopy(made.cells[at])
    half["id"], half.source, made.cells[at].source = "half", "The mids hold.", "And the bass does."
    made.cells.insert(at, half)
    loop.save(tmp_path, made)
    assert loop.run(tmp_path, 3).read_again == {"turned-up": (NOW_SLIPS,)}
    assert notes(tmp_path) == ["fresh-turned-up"]


def test_a_renamed_loudspeaker_marks_the_words_that_hold_its_old_name(tmp_path):
    loop.run(tmp_path, 1)
    edit(tmp_path, "in-short", "## In short\n\nTrivet 6 holds; Trivet 66 does not.")
    edit(tmp_path, "care", "Mind your ears.")
    own_cell(tmp_path, "Bought by the library: a Trivet 6.")
    done = loop.run(tmp_path, 2, name="Trivet 7")
    why = ("the loudspeaker is now named “Trivet 7”, not “Trivet 6”",)
    assert list(done.read_again.values()) == [why, why]
    assert "is now named “Trivet 7”" in refused(tmp_path)
    assert list(loop.run(tmp_path, 2, name="Trivet 7").read_again.values()) == [why, why]
    edit(tmp_path, "in-short", "## In short\n\nTrivet 7 holds; Trivet 66 does not.")
    made = loop.saved(tmp_path)
    made.cells.pop()  # the note: the library bought what was then a Trivet 6
    loop.save(tmp_path, made)
    for name in ("Trivet 7", "Trivet 7", "Trivet 8"):
        marked = list(loop.run(tmp_path, 2, name=name).read_again)
        assert marked == ["in-short"] * (name == "Trivet 8")


def with_changes(monkeypatch):
    """A template and drafts with a cell of what changed since a publication."""
    monkeypatch.setattr(loop, "SLOTS", ("in-short", "care", "what-changed"))


def published(folder, judged, *, day):
    entry = history.record(
        when=datetime.datetime(2026, 5, day), tool_version="1", digests={}, narrative={},
        judged=judged, numbers={},
    )  # fmt: skip
    history.keep_published(folder, entry)


def test_an_edited_account_of_what_changed_is_marked_when_that_has_changed(tmp_path, monkeypatch):
    with_changes(monkeypatch)
    published(tmp_path, {"short.mids.94": "slips"}, day=4)

    def run(grade):
        done = loop.run(tmp_path, 1, judged=lambda _: {"short.mids.94": grade})
        return done.read_again.get("what-changed", ())

    run("holds")
    edit(tmp_path, "what-changed", "Once “slips”, now “holds”: sorry.")
    assert run("holds") == ()
    assert run("falls short") == ("what changed (mids at 94 dB): “holds” then, “falls short” now",)
    assert run("slips") == ("what changed (mids at 94 dB): “holds” then, “slips” now",)
    edit(tmp_path, "what-changed", "It was “slips” all the time.")
    assert run("slips") == ()


def test_publishing_the_account_of_what_changed_is_no_reason_to_read_it_again(
    tmp_path, monkeypatch
):
    with_changes(monkeypatch)
    grades = {"short.mids.94": "holds", "short.bass.94": "holds"}
    published(tmp_path, grades | {"short.mids.94": "slips"}, day=4)

    def run():
        done = loop.run(tmp_path, 1, judged=lambda _: grades)
        return done.read_again.get("what-changed", ())

    run()
    edit(tmp_path, "what-changed", "Once “slips”, now “holds”: sorry.")
    run()
    published(tmp_path, grades, day=5)
    assert run() == ()
    grades["short.bass.94"] = "slips"
    assert run() == ("what changed (bass at 94 dB): “slips” now, not told then",)


def test_a_grade_that_no_version_gave_before_is_no_reason_to_read_again():
    then = {"long.mids.92.120": "holds"}
    assert reasons(then, {**then, "stress.mids.92": "slips"}) == ()
    then["stress.mids.92"] = "holds"
    assert reasons(then, {**then, "stress.mids.92": "slips"}) == (
        "mids at 92 dB while it played: “holds” then, “slips” now",
    )


@pytest.mark.parametrize(
    ("fact", "judgements"),
    [
        ("short.mids.94.mean", "short.mids.94"),
        ("short.low-mids.82.5.worst-at", "short.low-mids.82.5"),
        ("long.bass.92.120.u95", "long.bass.92.120"),
        ("stress.bass.92.time-1", "long.bass.92."),
        ("limit.mids.1.low", "short.mids."),
        ("limit.long.mids.tested", "long.mids."),
        ("why.port-turbulence.low", "finding.port-turbulence"),
        ("need.loud-music.average-low", "need.loud-music,-your-seat"),
        ("beside.marram-12.mids.rank.mean", "standing.output.mids."),
        ("beside.marram-12.mids.96.behind", "standing.output.mids."),
        ("beside.marram-12.mids.limit-low", "standing.limit.mids."),
        ("beside.marram-12.mids.long.within", "standing.long.mids."),
        ("apart.marram-12.trivet-6.mids.least", "standing.output.mids."),
        ("apart-long.marram-12.trivet-6.mids", "standing.long.mids."),
        ("beside.marram-12.top", ""),
        ("need.tested-to", ""),
        ("test.top", ""),
        ("dose.day", ""),
    ],
)
def test_a_fact_belongs_to_judgements(fact, judgements):
    assert judgements_of(fact) == judgements


def answers(**seats):
    """What is judged of a need at several seats, as ``results.json`` has it: the reader's first."""
    needs = [
        {"need": "loud music", "setup": setup.replace("_", " "), "answer": answer}
        for setup, answer in seats.items()
    ]
    return history.judged({"bands": [], "needs": needs})


def test_words_about_a_need_follow_the_answer_at_the_readers_seat(tmp_path):
    def run(answer):
        judged = answers(your_seat=answer, small_stage="not tested")
        return loop.run(tmp_path, 1, judged=lambda _: judged).read_again

    run("yes")
    own_cell(tmp_path, "Loud enough: [85 dB](#fact-need.loud-music.average-low).")
    edit(tmp_path, "in-short", "It is loud enough.")
    why = ("loud music, your seat: “yes” then, “no” now",)
    assert list(run("no").values()) == [why, why]


def test_an_answer_at_another_seat_that_an_earlier_version_recorded_is_no_correction():
    now = answers(your_seat="just", small_stage="no")
    entry = {"when": datetime.datetime(2026, 5, 4), "tool_version": "0", "digests": {}}
    entry |= {"narrative": {}, "numbers": {}}
    then = history.record(judged={"need.loud music": "no"}, **entry)
    assert history.changes(then, judged=now, numbers={}) == ()
    then = history.record(judged=answers(your_seat="yes"), **entry)
    (one,) = history.changes(then, judged=now, numbers={})
    assert (place_of(one.name), one.then, one.now) == ("loud music, your seat", "yes", "just")


@pytest.mark.parametrize("damage", [7, "x", None, [["x"]], {"x": 7}])
def test_metadata_that_somebody_else_wrote_stops_nothing(tmp_path, damage):
    loop.run(tmp_path, 1, facts=mean(-1.5))
    edit(tmp_path, "turned-up", QUOTING)
    own_cell(tmp_path, QUOTING)
    loop.run(tmp_path, 3, facts=mean(-1.5))
    made = loop.saved(tmp_path)
    for cell in made.cells:
        if QUOTING in cell.source:
            for key in ("basis", "read_again", "marked_text", "then", "stands_on", "negated"):
                cell.metadata.upheld[key] = damage
    made.cells.append(new_markdown_cell(QUOTING, metadata={"upheld": damage}))
    loop.save(tmp_path, made)
    ready.require_ready(tmp_path, as_it_is=True)
    loop.run(tmp_path, 4, facts=mean(-1.6))
    assert sources(tmp_path).count(QUOTING.replace("1.5", "1.6")) == 3
