"""A session is reported again when what it is made of changes, and not by its own writing."""

from pathlib import Path

import pytest

from reportlib.publish import report


@pytest.mark.parametrize(
    ("name", "counts"),
    [
        ("session.toml", True),
        ("captures/short-99.wav", True),
        ("report.ipynb", True),
        ("calibration/mic.txt", True),
        ("out/report.html", False),
        (".upheld/memory.json", False),
        (".report.ipynb.12ab", False),
        (".ipynb_checkpoints/report-checkpoint.ipynb", False),
        ("captures/~short-99.wav", False),
        ("session.toml~", False),
        ("captures/short-99.wav.tmp", False),
        ("../elsewhere.wav", False),
    ],
)
def test_what_counts(name, counts):
    assert report.watched(Path("day"), Path("day") / name) is (counts and ".." not in name)


def day(folder):
    (folder / "captures").mkdir()
    for name in ("session.toml", "report.ipynb", "captures/a.wav"):
        (folder / name).write_bytes(b"first")
    return folder


def runs(folder, *changes, writes=lambda: None):
    """Run the watch over `changes`, one event each; return what each run was told."""
    told = []

    def run(changed):
        told.append([path.relative_to(folder).as_posix() for path in changed])
        writes()

    def events():
        for change in changes:
            change()
            yield "something"

    report.run_on_changes(folder, run=run, events=events())
    return told


def test_it_runs_once_and_then_when_something_came_went_or_changed(tmp_path):
    folder = day(tmp_path)
    told = runs(
        folder,
        lambda: (folder / "captures/b.wav").write_bytes(b"new"),
        lambda: None,
        lambda: (folder / "captures/a.wav").unlink(),
        lambda: (folder / "session.toml").write_bytes(b"other facts"),
    )
    assert told == [[], ["captures/b.wav"], ["captures/a.wav"], ["session.toml"]]


def test_its_own_writing_does_not_start_it(tmp_path):
    folder = day(tmp_path)

    def writes():
        (folder / "out").mkdir(exist_ok=True)
        (folder / "out/report.html").write_bytes(b"page")
        (folder / "report.ipynb").write_bytes(b"written by the tool" * 10)

    assert runs(folder, lambda: None, lambda: None, writes=writes) == [[]]


def test_what_is_edited_while_it_runs_starts_it_again_at_the_next_event(tmp_path):
    folder = day(tmp_path)
    edits = iter([b"an edit", b"and another one"])

    def change():
        (folder / "report.ipynb").write_bytes(next(edits))

    assert runs(folder, change, change) == [[], ["report.ipynb"], ["report.ipynb"]]


def test_the_system_tells_of_changes(tmp_path, monkeypatch):
    """The library is asked for the folder with the filter, and its events are what counts."""
    import watchfiles

    folder = day(tmp_path)
    asked = {}

    def watch(path, **options):
        asked.update(options, path=path)
        (folder / "captures/b.wav").write_bytes(b"new")
        yield {("added", str(folder / "captures/b.wav"))}

    monkeypatch.setattr(watchfiles, "watch", watch)
    told = []
    report.run_on_changes(folder, run=told.append)
    assert told == [(), (folder / "captures/b.wav",)]
    assert asked["path"] == folder
    assert asked["watch_filter"]("added", str(folder / "captures/b.wav"))
    assert not asked["watch_filter"]("added", str(folder / "out/report.html"))
