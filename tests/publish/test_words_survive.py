"""No word of the reviewer's is lost: whatever they do, whenever the tool is killed or fails.

The kernel is left out (`loop`): these are about the notebook, the memory and the disk.
"""

import copy
import errno
import os
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import loop
import nbformat
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from nbformat.v4 import new_code_cell, new_markdown_cell

from reportlib.errors import ReportError
from reportlib.publish import history, memory, merge, recognised
from reportlib.publish.merge import KEY, cell_name, slot
from reportlib.session import files
from reportlib.write.quotes import Fact, written

PLACES = st.integers(0, 200)
SEATS_M = (2.9, 3.0, 3.1)
CALLS = {f"{name}-figure": f"figures.{name.replace('-', '_')}(report)" for name in loop.SLOTS}
HEADINGS = {name: f"## {name}" for name in loop.SLOTS} | {"about": "# What this is"}


def parts(made):
    """Count the cells that show a section, a figure or the introduction, whatever they are called.

    Notes that hold a fresh draft are left out: they are never published.
    """
    found = Counter()
    for cell in made.cells:
        if cell.cell_type == "code":
            found.update(name for name, call in CALLS.items() if call in cell.source)
        elif cell.cell_type == "markdown" and not cell.source.startswith("<details>"):
            lines = {line.rstrip() for line in cell.source.split("\n")}
            found.update(name for name, heading in HEADINGS.items() if heading in lines)
    return found


class Reviewer(RuleBasedStateMachine):
    """A reviewer who edits, runs, publishes, restores, and to whom things happen.

    Every word that they write is one of a kind; `live` are those that stand in a cell which they
    did not delete. `marked` are words to be read again, each with its note, as a run left them.
    """

    def __init__(self):
        super().__init__()
        import tempfile

        self._holder = tempfile.TemporaryDirectory()
        self.folder = Path(self._holder.name)
        self.runs, self.words, self.ids = 1, 0, 0
        self.live = set()
        self.seat_m = SEATS_M[1]
        self.marked = {}
        self.open = None  # what stands in JupyterLab, not yet saved
        self.run()

    def teardown(self):
        self._holder.cleanup()

    def run(self, **how):
        """Run the report; no section, figure or introduction comes of it that was not there."""
        seat = Fact(name="seat.distance", value=self.seat_m, unit="m", digits=1)
        try:
            before = loop.saved(self.folder)
        except (FileNotFoundError, nbformat.reader.NotJSONError):
            before = None
        last = memory.read(self.folder).written

        def drafts(number):
            quote = f"You sit at [{written(seat)}](#fact-seat.distance)."
            return {name: f"{text}\n\n{quote}" for name, text in loop.drafts(number).items()}

        done = loop.run(self.folder, self.runs, facts=[seat], drafts=drafts, **how)
        after = loop.saved(self.folder)
        if before is not None:
            known = merge.names_of(before) or last.cells
            there, back = parts(before), how.get("bring_back", ())
            for name, count in parts(after).items():
                most = max(there[name] + (name in back), not known)
                assert count <= most, (name, "came back, or stands twice")
        self.marked = {}
        for cell in after.cells:
            notes = [one for one in after.cells if cell_name(one) == f"fresh-{slot(cell)}"]
            if slot(cell) in done.read_again and notes:
                self.marked[slot(cell)] = (cell.source, notes[0].source)
        return done

    def document(self):
        return loop.saved(self.folder) if self.open is None else self.open

    def put(self, made):
        if self.open is None:
            loop.save(self.folder, made)
        else:
            self.open = made

    def word(self):
        self.words += 1
        self.live.add(f"word{self.words}x")
        return f"word{self.words}x"

    def fresh_id(self):
        self.ids += 1
        return f"id-{self.ids}"

    def markdown(self, made, place):
        found = [index for index, cell in enumerate(made.cells) if cell.cell_type == "markdown"]
        return found[place % len(found)] if found else None

    @rule(place=PLACES, ending=st.sampled_from(["", "\n", "\r\n", "  \n"]))
    def edits_a_cell(self, place, ending):
        made = self.document()
        index = self.markdown(made, place)
        if index is not None:
            made.cells[index].source += f"\n\n{self.word()}{ending}"
            self.put(made)

    @rule(place=PLACES)
    def edits_code(self, place):
        made = self.document()
        found = [cell for cell in made.cells if cell.cell_type == "code"]
        if found:
            found[place % len(found)].source += f"  # {self.word()}"
            self.put(made)

    @rule(place=PLACES, code=st.booleans())
    def adds_a_cell(self, place, code):
        made = self.document()
        new = new_code_cell if code else new_markdown_cell
        made.cells.insert(place % (len(made.cells) + 1), new(f"# {self.word()}"))
        self.put(made)

    @rule(place=PLACES, to=PLACES)
    def moves_a_cell(self, place, to):
        made = self.document()
        cell = made.cells.pop(place % len(made.cells))
        made.cells.insert(to % (len(made.cells) + 1), cell)
        self.put(made)

    @rule(place=PLACES)
    def copies_a_cell(self, place):
        made = self.document()
        twin = copy.deepcopy(made.cells[place % len(made.cells)])
        twin["id"] = self.fresh_id()
        made.cells.append(twin)
        self.put(made)

    @rule(place=PLACES)
    def splits_a_cell(self, place):
        made = self.document()
        index = self.markdown(made, place)
        if index is None:
            return
        cell = made.cells[index]
        half = cell.source.find("\n\n") + 1  # as JupyterLab: both keep the metadata
        first = copy.deepcopy(cell)
        first["id"] = self.fresh_id()
        first.source, cell.source = cell.source[:half], cell.source[half:]
        made.cells.insert(index, first)
        self.put(made)

    @rule(place=PLACES)
    def merges_two_cells(self, place):
        made = self.document()
        index = self.markdown(made, place)
        if index is None or index + 1 >= len(made.cells):
            return
        below = made.cells[index + 1]
        if below.cell_type == "markdown":  # as JupyterLab: the last one's metadata survives
            below.source = made.cells[index].source + "\n\n" + below.source
            del made.cells[index]
            self.put(made)

    @rule(place=PLACES)
    def merges_two_code_cells(self, place):
        made = self.document()
        found = [index for index, cell in enumerate(made.cells) if cell.cell_type == "code"]
        index = found[place % len(found)] if found else len(made.cells)
        if index + 1 < len(made.cells) and made.cells[index + 1].cell_type == "code":
            below = made.cells[index + 1]
            below.source = made.cells[index].source + "\n\n" + below.source
            del made.cells[index]
            self.put(made)

    @rule(place=PLACES)
    def deletes_a_cell(self, place):
        self.delete(place)

    @rule(name=st.sampled_from([*CALLS, *HEADINGS]))
    def deletes_a_section_a_figure_or_the_introduction(self, name):
        names = [cell_name(cell) for cell in self.document().cells]
        if name in names:
            self.delete(names.index(name))

    def delete(self, place):
        made = self.document()
        if len(made.cells) > 2:
            gone = made.cells.pop(place % len(made.cells))
            left = "\n".join(cell.source for cell in made.cells)
            self.live -= {word for word in self.live if word in gone.source and word not in left}
            self.put(made)

    @rule(place=PLACES, kind=st.sampled_from(["raw", "markdown"]))
    def changes_a_cells_type(self, place, kind):
        made = self.document()
        cell = made.cells[place % len(made.cells)]
        if cell.cell_type != "code":
            cell.cell_type = kind
            self.put(made)

    @rule()
    def lets_a_tool_strip_all_metadata(self):
        made = self.document()
        made.metadata.clear()
        for cell in made.cells:
            cell.metadata.clear()
            cell["id"] = self.fresh_id()
        self.put(made)

    @rule()
    def runs_the_report(self):
        self.runs += 1
        self.run()

    @rule(seat_m=st.sampled_from(SEATS_M))
    def runs_it_for_another_seat(self, seat_m):
        self.seat_m = seat_m
        before, last = loop.saved(self.folder), memory.read(self.folder).written
        sources = Counter(cell.source for cell in before.cells if cell.cell_type == "markdown")
        kept = last.about or any(KEY in cell.metadata for cell in before.cells)
        marked = [
            name
            for name, (words, note) in self.marked.items()
            if kept and sources[words] == 1 and sources[note] == 1
        ]
        done = self.run()
        assert set(marked) <= set(done.read_again), "a mark was settled by the tool"

    @precondition(lambda self: self.open is None)
    @rule(which=PLACES)
    def asks_for_a_deleted_cell_again(self, which):
        template, last = loop.template(), memory.read(self.folder).written
        mine = recognised.named(loop.saved(self.folder), template=template, last=last)
        gone = sorted(merge.deleted_names(template, mine, last=last))
        if gone:
            name = gone[which % len(gone)]
            self.run(bring_back=(name,))
            assert name in [cell_name(cell) for cell in loop.saved(self.folder).cells]

    @precondition(lambda self: self.open is None)
    @rule()
    def opens_it_in_jupyterlab(self):
        self.open = loop.saved(self.folder)

    @precondition(lambda self: self.open is not None)
    @rule()
    def saves_it_in_jupyterlab(self):
        made, self.open = self.open, None
        self.put(made)

    @precondition(lambda self: self.open is None)
    @rule(which=PLACES)
    def restores_a_version(self, which):
        kept = history.versions(self.folder)
        if kept:
            number = kept[which % len(kept)].number
            target = self.folder / "report.ipynb"
            history.restore(self.folder, number=number, notebook=target)
            self.live = {word for word in self.live if word in target.read_text("utf-8")}

    @precondition(lambda self: self.open is None)
    @rule(share=st.floats(0.0, 0.9))
    def loses_a_part_of_the_notebook(self, share):
        target = self.folder / "report.ipynb"
        text = target.read_text("utf-8")
        self.run()  # what a run has seen is kept
        text = target.read_text("utf-8")
        target.write_text(text[: int(share * len(text))], encoding="utf-8")
        self.runs += 1
        self.run()

    @rule(damage=st.booleans())
    def loses_the_tools_memory(self, damage):
        path = self.folder / memory.FILE
        if damage:
            path.write_text("{ not JSON", encoding="utf-8")
        else:
            path.unlink(missing_ok=True)

    @invariant()
    def nothing_is_lost(self):
        if self.open is None:
            text = "\n".join(cell.source for cell in loop.saved(self.folder).cells)
            assert {word for word in self.live if word not in text} == set()
        nbformat.validate(loop.saved(self.folder))


class TestReviewer(Reviewer.TestCase):
    settings = settings(max_examples=15, stateful_step_count=20, deadline=None, derandomize=True)


@pytest.mark.slow
class TestReviewerAtLength(Reviewer.TestCase):
    settings = settings(max_examples=1000, stateful_step_count=40, deadline=None)


def test_code_that_somebody_edited_and_raw_words_stay_run_after_run(tmp_path):
    loop.run(tmp_path, 1)
    made = loop.saved(tmp_path)
    cells = {cell["id"]: cell for cell in made.cells}
    cells["care-figure"].source = 'figures.care(report).captioned("Mine.")'
    cells["care"].source += "\n\nMine as well."
    cells["care"].cell_type = "raw"
    loop.save(tmp_path, made)
    for number in (2, 3):
        loop.run(tmp_path, number)
    made = loop.saved(tmp_path)
    next(cell for cell in made.cells if cell["id"] == "care").cell_type = "markdown"
    loop.save(tmp_path, made)
    loop.run(tmp_path, 4)
    text = "\n".join(cell.source for cell in loop.saved(tmp_path).cells)
    assert 'figures.care(report).captioned("Mine.")' in text
    assert "Mine as well." in text


def test_copies_of_what_all_builds_on_stay_and_the_edited_one_too(tmp_path):
    loop.run(tmp_path, 1)
    made = loop.saved(tmp_path)
    twin = copy.deepcopy(made.cells[0])
    twin["id"] = "twin"
    made.cells.append(twin)
    made.cells[0].source = "x = 1  # mine"
    loop.save(tmp_path, made)
    for number in (2, 3):
        loop.run(tmp_path, number)
        code = [cell.source for cell in loop.saved(tmp_path).cells if cell.cell_type == "code"]
        assert code[0] == "x = 1  # mine"
        assert code[-1] == "x = 1"


def test_what_the_tool_wrote_is_in_the_history_when_jupyterlab_saves_over_it(tmp_path):
    loop.run(tmp_path, 1)
    opened = loop.saved(tmp_path)
    loop.run(tmp_path, 2)
    opened.cells[1].source += "\n\nMine."
    loop.save(tmp_path, opened)
    done = loop.run(tmp_path, 3)
    assert done.kept_slots == ("in-short",)
    texts = {slot(cell): cell.source for cell in loop.saved(tmp_path).cells if slot(cell)}
    assert texts["in-short"].endswith("Mine.")
    assert texts["care"] == loop.drafts(3)["care"]  # untouched, though it held the first draft
    assert "It is 2 dB short" in loop.words_kept(tmp_path)


def test_a_notebook_saved_while_the_report_ran_is_merged_too(tmp_path, monkeypatch):
    loop.run(tmp_path, 1)
    saves = iter(["Saved meanwhile."])

    def meanwhile(merged, **_):
        for words in saves:
            made = loop.saved(tmp_path)
            made.cells[1].source += f"\n\n{words}"
            loop.save(tmp_path, made)
        return merged

    monkeypatch.setattr(loop, "_executed", meanwhile)
    loop.run(tmp_path, 2)
    assert "Saved meanwhile." in loop.saved(tmp_path).cells[1].source


def test_a_notebook_that_is_saved_all_the_time_stops_the_run_and_stays(tmp_path, monkeypatch):
    loop.run(tmp_path, 1)

    def meanwhile(merged, **_):
        made = loop.saved(tmp_path)
        made.cells[1].source += " Again."
        loop.save(tmp_path, made)
        return merged

    monkeypatch.setattr(loop, "_executed", meanwhile)
    with pytest.raises(ReportError, match="saved again during each"):
        loop.run(tmp_path, 2)
    assert loop.saved(tmp_path).cells[1].source.endswith("Again. Again. Again.")


def rounds(folder, count, *, seed):
    script = Path(loop.__file__).with_name("kill_rounds.py")
    done = subprocess.run(
        [sys.executable, str(script), str(folder), str(count), str(seed)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forked processes")
def test_killed_at_any_instant(tmp_path):
    assert "12 rounds" in rounds(tmp_path, 12, seed=1)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forked processes")
def test_killed_at_any_of_many_instants(tmp_path):
    assert "400 rounds" in rounds(tmp_path, 400, seed=2)


def kills(folder, verb, count, *, seed):
    script = Path(__file__).parents[1] / "helpers/kill_runs.py"
    done = subprocess.run(
        [sys.executable, str(script), str(folder), verb, str(count), str(seed)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forked processes")
def test_of_a_killed_run_nothing_is_left_after_the_next(undrawn, tmp_path):
    shutil.copytree(undrawn, tmp_path / "sessions/trivet-6")
    kills(tmp_path, "publish", 1, seed=1)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forked processes")
@pytest.mark.parametrize("verb", ["publish", "intake", "report", "refresh"])
def test_of_many_killed_runs_nothing_is_left_after_the_next(tmp_path, verb):
    kills(tmp_path, verb, 75, seed=2)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES])
@pytest.mark.parametrize("call", ["open", "fsync"])
def test_a_disk_that_fails_at_any_write_costs_no_word(tmp_path, monkeypatch, call, number):
    loop.run(tmp_path, 1)
    made = loop.saved(tmp_path)
    made.cells[1].source += "\n\nMine."
    loop.save(tmp_path, made)
    real, writes = getattr(os, call), [0]
    failing = [0]

    def once(*arguments, **options):
        path = str(arguments[0])
        if call == "fsync" or str(tmp_path) in path:
            writes[0] += 1
            if writes[0] == failing[0]:
                raise OSError(number, os.strerror(number), path)
        return real(*arguments, **options)

    monkeypatch.setattr(files.os, call, once)
    lines = []
    for failing[0] in range(1, 20):
        writes[0] = 0
        try:
            loop.run(tmp_path, 1 + failing[0])
        except ReportError as error:
            lines.append(str(error))
        text = loop.saved(tmp_path).cells[1].source
        assert text.endswith("Mine.")
        assert loop.memory_is_whole(tmp_path)
        assert not list(tmp_path.glob(".report*"))
        if writes[0] < failing[0]:
            break
    assert len(lines) >= 4
    assert not any("\n" in line for line in lines)
