"""The shelf: bit for bit what was measured, and never believed where anything differs."""

import contextlib
import dataclasses
import functools
import hashlib
import io
import re
import shutil

import numpy as np
import pytest
import soundfile
from days import LAW, QUIET, TWO_WAY, capture, sound
from hypothesis import given
from hypothesis import strategies as st

from reportlib.check import trace as check_trace
from reportlib.errors import AnalysisError
from reportlib.judge import analysis, measuring, shelf
from reportlib.judge.shelf import Shelf
from reportlib.measure import clock_between
from reportlib.session import captures
from reportlib.session.day import Channels, Entry, Rig, Session, Speaker
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session
from reportlib.session.records import QualityNote
from reportlib.write import data as write_data

PARAMETERS = checked_parameters(session=".")
ENTERS = {"fraction": 12}
NOTE = {"code": "clipped", "severity": "warning", "capture": "a.wav", "message": "“−3 dB”"}


@functools.cache
def trace() -> check_trace.Trace:
    one = capture("a.wav", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=11)
    return check_trace.listen(one, law=LAW, sweep_start_s=0.5)


def shelf_in(folder, **changes):
    facts = {
        "speaker": Speaker(name="Marram 12", drive="passive"),
        "rig": Rig(distance_m=1.0, space="free field"),
        "channels": Channels(microphone=1, reference=2),
        "short_term": (Entry(level_db=72.0, drive_db=0.0, captures=("a.wav", "b.wav")),),
        "digests": {"a.wav": "1", "b.wav": "2"},
    }
    return Shelf(Session(folder=str(folder), **{**facts, **changes}), write=True)


def put(folder):
    """Keep the trace in a session folder; return the shelf, its key and where it lies."""
    one = shelf_in(folder)
    key = one.key("a.wav", enters=ENTERS)
    one.keep(key, trace())
    return one, key, one.folder / f"{key}.npz"


def found(one, key):
    return one.load(key, make=lambda **values: shelf.record(check_trace.Trace, values))


def same(found, expected):
    """Compare two records to the last bit, NaN included."""
    for field in dataclasses.fields(expected):
        a, b = getattr(found, field.name), getattr(expected, field.name)
        assert type(a) is type(b), field.name
        if isinstance(b, np.ndarray):
            assert (a.dtype, a.shape, a.tobytes()) == (b.dtype, b.shape, b.tobytes()), field.name
        else:
            assert a == b or a != a, field.name


def signed(body):
    return body + hashlib.sha256(body).digest()


def test_what_comes_back_is_what_was_kept_to_the_last_bit(tmp_path):
    one, key, place = put(tmp_path)
    same(found(one, key), trace())
    assert list(one.folder.iterdir()) == [place]
    assert found(one, one.key("b.wav", enters=ENTERS)) is None
    with np.load(place) as held:  # an ordinary file of numpy's
        assert held["level_db"].tobytes() == trace().level_db.tobytes()


# What enters the key


def test_all_that_enters_changes_the_key(tmp_path):
    one = shelf_in(tmp_path)
    other = shelf_in(tmp_path, digests={"a.wav": "9", "b.wav": "2"})
    keys = [
        one.key("a.wav", enters=ENTERS),
        one.key("b.wav", enters=ENTERS),
        one.key("a.wav", "b.wav", enters=ENTERS),
        one.key("a.wav", enters={"fraction": 24}),
        one.key("a.wav", after=["ab"], enters=ENTERS),
        other.key("a.wav", enters=ENTERS),
    ]
    assert len(set(keys)) == len(keys)
    assert other.key("b.wav", enters=ENTERS) == one.key("b.wav", enters=ENTERS)


@pytest.mark.parametrize(
    ("line", "becomes"),
    [
        ("start_hz = 20.0", "start_hz = 21.0"),
        ("microphone = 1\nreference = 2", "microphone = 2\nreference = 1"),
    ],
)
def test_a_fact_of_the_sweep_that_changes_has_every_recording_read_again(
    session, reads, line, becomes
):
    results_of(read_session(session))
    text = (session / "session.toml").read_text("utf-8")
    assert line in text
    (session / "session.toml").write_text(text.replace(line, becomes), "utf-8")
    facts = read_session(session)
    reads.clear()
    with contextlib.suppress(AnalysisError):  # by what is not so, nothing is left to compare
        results_of(facts)
    assert set(reads) == set(measuring.sweep_captures(facts))


def test_without_digests_or_with_changed_code_there_is_no_key(tmp_path, monkeypatch):
    one = shelf_in(tmp_path)
    assert one.key("c.wav", enters=ENTERS) is None
    assert one.key("a.wav", after=["ab", None], enters=ENTERS) is None
    monkeypatch.setattr(shelf, "_RUNNING_CODE", "another")
    assert shelf_in(tmp_path).key("a.wav", enters=ENTERS) is None


@pytest.mark.parametrize(
    "module", ["measure/deconvolution.py", "measure/levels.py", "session/captures.py"]
)
def test_any_change_of_the_code_misses_and_keeps_nothing(tmp_path, monkeypatch, module):
    assert shelf.code_digest() == shelf.code_digest() is not None
    copy = shutil.copytree(
        shelf.Path(shelf.__file__).parents[1],
        tmp_path / "copy",
        ignore=shutil.ignore_patterns("*.pyc"),
    )
    monkeypatch.setattr(shelf, "__file__", str(copy / "judge/shelf.py"))
    assert shelf.code_digest() is not None  # the same source elsewhere is the same code
    source = copy / module
    source.write_text(source.read_text("utf-8") + "\n# changed\n", "utf-8")
    assert shelf.code_digest() is None


# What is not believed


def changed_bytes(data, change):
    kind, where, what = change
    at = where % len(data)
    if kind == "cut":
        return data[:at]
    if kind == "flip":
        return data[:at] + bytes([data[at] ^ (what or 1)]) + data[at + 1 :]
    if kind == "insert":
        return data[:at] + bytes([what]) + data[at:]
    return bytes([what]) * at


@given(
    st.tuples(
        st.sampled_from(["cut", "flip", "insert", "other"]),
        st.one_of(st.integers(0, 2000), st.integers(0, 1 << 24)),
        st.integers(0, 255),
    )
)
def test_damaged_bytes_are_never_believed(tmp_path_factory, change):
    one, key, place = put(tmp_path_factory.getbasetemp() / "damaged")
    assert found(one, key) is not None
    place.write_bytes(changed_bytes(place.read_bytes(), change))
    assert found(one, key) is None


@given(st.binary(max_size=300))
def test_foreign_bytes_are_never_believed_though_their_digest_holds(tmp_path_factory, body):
    one, key, place = put(tmp_path_factory.getbasetemp() / "foreign")
    for data in (body, signed(body), signed(b"PK\x03\x04" + body), signed(b"\x93NUMPY" + body)):
        place.write_bytes(data)
        assert found(one, key) is None


def foreign(changes, *, pickled=False, packed=False, key=""):
    """Return a file whose digest holds, of values that were changed."""
    values = {**vars(trace()), **changes}
    arrays = {name: value for name, value in values.items() if isinstance(value, np.ndarray)}
    rest = {name: value for name, value in values.items() if name not in arrays}
    about = shelf.json.dumps({"key": key, "values": rest}).encode()
    if pickled:
        arrays["level_db"] = np.array([{}], dtype=object)
    buffer = io.BytesIO()
    save = np.savez_compressed if packed else np.savez
    save(buffer, about=np.frombuffer(about, np.uint8), **arrays)
    return signed(buffer.getvalue())


IMPOSSIBLE = {
    "too short": {"level_db": np.ones(3)},
    "no array": {"level_db": 3.0},
    "single precision": {"level_db": trace().level_db.astype(np.float32)},
    "no number": {"level_db": np.array(["a"] * trace().level_db.size)},
    "another type": {"peak": "0.5"},
    "one more": {"more": 1.0},
}


@pytest.mark.parametrize("changes", IMPOSSIBLE.values(), ids=IMPOSSIBLE)
def test_a_record_that_cannot_be_is_not_believed(tmp_path, changes):
    one, key, place = put(tmp_path)
    place.write_bytes(foreign({}, key=key))
    assert found(one, key) is not None
    place.write_bytes(foreign(changes, key=key))
    assert found(one, key) is None


def test_nothing_is_unpickled_or_unpacked_beyond_its_size(tmp_path):
    one, key, place = put(tmp_path)
    place.write_bytes(foreign({}, key=key, pickled=True))
    assert found(one, key) is None
    zeros = {"blocks": np.zeros((100_000, 8))}
    place.write_bytes(foreign(zeros, key=key, packed=True))
    assert place.stat().st_size < 1e6
    assert found(one, key) is None


@pytest.mark.parametrize(
    "note", [NOTE, {**NOTE, "message": 5}, {**NOTE, "severity": "loud"}, {**NOTE, "severity": []}]
)
def test_a_record_of_texts_is_read_strictly(note):
    if note is NOTE:
        assert shelf.record(QualityNote, note).message == NOTE["message"]
    else:
        with pytest.raises(TypeError):
            shelf.record(QualityNote, note)


def test_another_captures_content_under_the_right_name_is_not_believed(tmp_path):
    one, key, place = put(tmp_path)
    other = one.key("b.wav", enters=ENTERS)
    shutil.copy(place, place.with_stem(other))
    assert found(one, key) is not None
    assert found(one, other) is None


# Where it lies


@pytest.mark.parametrize("name", [".upheld", ".upheld/kept"])
def test_a_folder_that_cannot_be_written_costs_nothing_but_time(tmp_path, name):
    blocked = tmp_path / name
    blocked.parent.mkdir(exist_ok=True)
    blocked.write_text("a file")
    one, key, _ = put(tmp_path)
    assert found(one, key) is None
    one.tidy()
    assert blocked.read_text() == "a file"


@pytest.mark.parametrize("name", [".upheld", ".upheld/kept", "entry"])
def test_nothing_is_read_or_written_through_a_link(tmp_path, name):
    _, key, place = put(tmp_path / "elsewhere")
    named = {
        ".upheld": place.parent.parent,
        ".upheld/kept": place.parent,
        f".upheld/kept/{key}.npz": place,
    }
    name = f".upheld/kept/{key}.npz" if name == "entry" else name
    link = tmp_path / "session" / name
    link.parent.mkdir(parents=True)
    link.symlink_to(named[name])
    before = place.read_bytes()
    one = shelf_in(tmp_path / "session")
    assert found(one, key) is None
    one.keep(one.key("b.wav", enters=ENTERS), trace())
    one.tidy()
    assert list(place.parent.iterdir()) == [place]
    assert place.read_bytes() == before


def test_a_folder_in_an_entrys_place_is_left_alone(tmp_path):
    one = shelf_in(tmp_path)
    key = one.key("a.wav", enters=ENTERS)
    (one.folder / f"{key}.npz").mkdir(parents=True)
    one.keep(key, trace())
    assert found(one, key) is None
    one.tidy()
    assert [path.name for path in one.folder.iterdir()] == [f"{key}.npz"]


def test_tidying_leaves_what_was_used_and_what_is_not_ours(tmp_path):
    _, key, place = put(tmp_path)
    one = shelf_in(tmp_path)
    one.keep(one.key("b.wav", enters=ENTERS), trace())
    one.tidy()
    assert not place.exists()
    put(tmp_path)
    one = shelf_in(tmp_path)
    for name in (f".{key}.0123.npz", "before.kept", "before.trace", "before.response"):
        (one.folder / name).write_bytes(b"left by a killed run, or by an earlier version")
    (one.folder / "reviewers-own.txt").write_text("mine")
    assert found(one, key) is not None
    one.tidy()
    assert sorted(path.name for path in one.folder.iterdir()) == [place.name, "reviewers-own.txt"]


def test_all_entries_together_stay_below_the_limit(tmp_path, monkeypatch):
    size = put(tmp_path)[2].stat().st_size
    monkeypatch.setattr(shelf, "MOST_BYTES", 2 * size + 100)
    one = shelf_in(tmp_path)
    for number in range(3):
        one.keep(one.key("b.wav", enters={"fraction": number}), trace())
    assert sum(path.stat().st_size for path in one.folder.iterdir()) == pytest.approx(2 * size)


# A whole session


@pytest.fixture(scope="module")
def short(trivet, tmp_path_factory):
    """Of the simulated day the baseline and two levels, which is what the shelf tells apart."""
    folder = shutil.copytree(trivet, tmp_path_factory.mktemp("short") / "trivet-6")
    text = (folder / "session.toml").read_text("utf-8")
    tables = re.split(r"(?m)^(?=\[)", text)
    levels = [table for table in tables if table.startswith("[[short_term]]")]
    out = (*levels[3:], *(table for table in tables if table.startswith("[[long_term")))
    kept = "".join(table for table in tables if table not in out)
    (folder / "session.toml").write_text(kept, "utf-8")
    return folder


@pytest.fixture
def session(short, tmp_path):
    return shutil.copytree(short, tmp_path / "trivet-6")


def results_of(session, **changes):
    measured = measuring.measure_captures(session, parameters=PARAMETERS, **changes)
    return [*measured.responses.values(), *measured.traces.values()], measured.notes


def compare(found, expected):
    assert found[1] == expected[1]
    assert len(found[0]) == len(expected[0])
    for a, b in zip(found[0], expected[0], strict=True):
        same(a, b)


def entries(folder):
    return sorted((folder / ".upheld" / "kept").iterdir())


@pytest.fixture
def reads(monkeypatch):
    """The paths of all recordings that are read whole."""
    paths = []
    read = captures.read_capture

    def noted(session, path):
        paths.append(path)
        return read(session, path)

    monkeypatch.setattr(captures, "read_capture", noted)
    return paths


def test_a_second_run_reads_no_recording_and_finds_the_same_to_the_last_bit(session, reads):
    facts = read_session(session)
    count = len(measuring.sweep_captures(facts))
    without = results_of(facts, keep=False)
    assert not (session / ".upheld").exists()
    first = results_of(facts)
    assert len(reads) == 2 * count
    reads.clear()
    second = results_of(read_session(session))
    assert reads == []
    compare(first, without)
    compare(second, without)


def test_data_files_of_a_warm_run_are_those_of_a_cold_one_byte_for_byte(session):
    def files():
        found = analysis.analyse(read_session(session), parameters=PARAMETERS)
        curves = [*found.short_term, *found.long_term]
        return write_data.compression_csv(curves), write_data.results_json(found, tool_version="0")

    assert files() == files()


def test_what_is_kept_is_smaller_than_the_session_or_10_mb(session):
    results_of(read_session(session))
    own = sum(path.stat().st_size for path in session.rglob("*") if path.is_file())
    kept = sum(path.stat().st_size for path in entries(session))
    assert 0 < kept <= max(own - kept, 10_000_000)


def changed(session, path, *, factor=0.9):
    samples, rate = soundfile.read(session / path)
    soundfile.write(session / path, factor * samples, rate, subtype="PCM_24")


def test_one_new_capture_costs_itself_and_the_baseline(session, reads):
    facts = read_session(session)
    results_of(facts)
    before = entries(session)
    path = facts.short_term[1].captures[0]
    changed(session, path)
    facts = read_session(session)
    reads.clear()
    found = results_of(facts)
    assert reads == [path, facts.baseline.captures[0]]
    after = entries(session)
    assert len(set(before) - set(after)) == len(set(after) - set(before)) == 2
    shutil.rmtree(session / ".upheld" / "kept")
    compare(found, results_of(facts))


def test_a_spoilt_shelf_changes_no_result(session, reads):
    facts = read_session(session)
    first = results_of(facts)
    files = entries(session)
    for index, file in enumerate(files):
        data = file.read_bytes()
        file.write_bytes((b"", files[index - 1].read_bytes(), data[:-1], data)[index % 4])
    compare(results_of(facts), first)
    assert len(reads) > len(measuring.sweep_captures(facts))


def test_another_smoothing_is_measured_anew(session, reads):
    facts = read_session(session)
    results_of(facts)
    count = len(entries(session))
    reads.clear()
    finer = checked_parameters(session=".", smoothing_fraction=24)
    measuring.measure_captures(facts, parameters=finer)
    assert sorted(reads) == sorted(measuring.sweep_captures(facts))
    assert len(entries(session)) == count


def test_a_recording_that_changed_since_the_session_was_read_is_not_kept(session, reads):
    facts = read_session(session)
    path = facts.short_term[1].captures[0]
    changed(session, path)
    results_of(facts)
    changed(session, path)
    reads.clear()
    results_of(facts)
    assert set(reads) == {path, facts.baseline.captures[0]}


@pytest.mark.parametrize("what", ["gate", "baseline"])
def test_what_all_responses_depend_on_makes_all_of_them_anew(session, reads, what):
    facts = read_session(session)
    results_of(facts)
    if what == "gate":
        text = (session / "session.toml").read_text("utf-8")
        text = text.replace("[rig]", "[rig]\ngate_ms = 50.0")
        (session / "session.toml").write_text(text, "utf-8")
    else:
        changed(session, facts.baseline.captures[0], factor=0.999)
    facts = read_session(session)
    reads.clear()
    found = results_of(facts)
    assert set(reads) == set(measuring.sweep_captures(facts))
    compare(found, results_of(facts, keep=False))


# Without a reference, clocks are brought together


@pytest.fixture
def drifting(session):
    """A session without a reference whose second level was recorded by a clock that ran fast."""
    path = session / "session.toml"
    lines = path.read_text("utf-8").splitlines(keepends=True)
    path.write_text("".join(line for line in lines if not line.startswith("reference")), "utf-8")
    fast = session / read_session(session).short_term[1].captures[0]
    samples, rate = soundfile.read(fast)
    samples[:, 0] = clock_between.resampled(samples[:, 0], ppm=-100.0)[: len(samples)]
    soundfile.write(fast, samples, rate, subtype="PCM_24")
    return session


def test_clocks_are_brought_together_from_the_shelf_alike(drifting, reads):
    facts = read_session(drifting)
    without = results_of(facts, keep=False)
    assert any("clock" in note.code for note in without[1])
    compare(results_of(facts), without)
    reads.clear()
    compare(results_of(facts), without)
    assert reads == []
    changed(drifting, facts.short_term[2].captures[0])
    facts = read_session(drifting)
    compare(results_of(facts), results_of(facts, keep=False))
