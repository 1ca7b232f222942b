"""Kept captures: bit for bit what was measured, and never believed where anything differs."""

import dataclasses
import functools
import hashlib
import json
import shutil

import numpy as np
import pytest
import soundfile
from days import GRID, LAW, QUIET, RATE, TWO_WAY, capture, sound
from hypothesis import given, settings
from hypothesis import strategies as st

from reportlib import captures, deconvolution, gated, kept, measuring
from reportlib.day import Channels, Entry, NoiseFacts, Rig, Session, Speaker, SweepFacts
from reportlib.deconvolution import Deconvolved
from reportlib.model import QualityNote
from reportlib.parameters import checked_parameters
from reportlib.session import read_session

KEY, OTHER = "ab" * 32, "cd" * 32
NOTE = QualityNote(code="clipped", severity="warning", capture="a.wav", message="“−3 dB” at 1 kHz")
PARAMETERS = checked_parameters(session=".")


@functools.cache
def one() -> Deconvolved:
    return deconvolution.deconvolve(
        capture("a.wav", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=11),
        law=LAW,
        frequency_hz=GRID,
        fraction=12,
    )


def entry(folder, key=KEY):
    return folder / f"{key}.kept"


def same(found, expected):
    """Compare two records to the last bit, NaN included."""
    for field in dataclasses.fields(expected):
        a, b = getattr(found, field.name), getattr(expected, field.name)
        assert type(a) is type(b), field.name
        if isinstance(b, np.ndarray):
            assert (a.dtype, a.shape, a.tobytes()) == (b.dtype, b.shape, b.tobytes()), field.name
        else:
            assert a == b, field.name


def signed(body):
    return hashlib.sha256(body).digest() + body


def test_what_comes_back_is_what_was_kept_to_the_last_bit(tmp_path):
    unknown = dataclasses.replace(one(), drive_noise=np.full(GRID.size, np.nan))
    for record in (one(), unknown):
        kept.keep(tmp_path, KEY, deconvolved=record, notes=[NOTE])
        found, notes = kept.load(tmp_path, KEY)
        same(found, record)
        assert notes == [NOTE]
    assert [path.name for path in tmp_path.iterdir()] == [f"{KEY}.kept"]
    assert kept.load(tmp_path, OTHER) is None
    assert kept.load(tmp_path / "nowhere", KEY) is None


# What enters the key


def plain_session(**changes):
    facts = {
        "folder": ".",
        "speaker": Speaker(name="Marram 12", drive="passive"),
        "rig": Rig(distance_m=1.0, space="free field"),
        "channels": Channels(microphone=1, reference=2),
        "short_term": (Entry(level_db=72.0, drive_db=0.0, captures=("a.wav", "b.wav")),),
        "sweep": SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=2.0, stimulus="s.wav"),
        "digests": {"a.wav": "1", "b.wav": "2", "s.wav": "3", "session.toml": "4"},
    }
    return Session(**{**facts, **changes})


def key_of(session=None, path="a.wav", **changes):
    facts = {"sample_rate_hz": RATE, "frequency_hz": GRID, "fraction": 12, "code": "c"}
    return kept.capture_key(session or plain_session(), path, **{**facts, **changes})


def sweep(**changes):
    return plain_session(sweep=dataclasses.replace(plain_session().sweep, **changes))


def digests(**changes):
    return plain_session(digests={**plain_session().digests, **changes})


def test_every_fact_that_enters_changes_the_key():
    keys = [
        key_of(),
        key_of(path="b.wav"),
        key_of(digests(**{"a.wav": "9"})),
        key_of(digests(**{"s.wav": "9"})),
        key_of(sweep(stimulus=None)),
        key_of(sweep(start_hz=21.0)),
        key_of(sweep(stop_hz=19000.0)),
        key_of(sweep(duration_s=2.5)),
        key_of(plain_session(channels=Channels(microphone=2, reference=1))),
        key_of(plain_session(channels=Channels(microphone=1))),
        key_of(plain_session(noise=NoiseFacts(captures=("a.wav",)))),
        key_of(sample_rate_hz=44100),
        key_of(frequency_hz=GRID[:-1]),
        key_of(fraction=24),
        key_of(code="d"),
    ]
    assert len(set(keys)) == len(keys)
    assert all(len(key) == 64 and int(key, 16) for key in keys)


def test_what_does_not_enter_leaves_the_key():
    again = key_of(digests(**{"b.wav": "9", "session.toml": "9"}))
    rig = key_of(plain_session(rig=Rig(distance_m=2.0, space="room", gate_ms=6.0)))
    assert again == rig == key_of(plain_session(notes="windy")) == key_of()


def test_without_digests_or_with_changed_code_there_is_no_key():
    assert key_of(plain_session(digests={})) is None
    assert key_of(plain_session(sweep=None)) is None
    assert key_of(code=None) is None


@pytest.mark.parametrize("module", ["deconvolution.py", "levels.py", "captures/recordings.py"])
def test_any_change_of_the_code_misses_and_keeps_nothing(tmp_path, monkeypatch, module):
    assert kept.code_digest() == kept.code_digest() is not None
    copy = shutil.copytree(
        kept.Path(kept.__file__).parent, tmp_path / "copy", ignore=shutil.ignore_patterns("*.pyc")
    )
    monkeypatch.setattr(kept, "__file__", str(copy / "kept.py"))
    assert kept.code_digest() is not None  # the same source elsewhere is the same code
    source = copy / module
    source.write_text(source.read_text("utf-8") + "\n# changed\n", "utf-8")
    assert kept.code_digest() is None


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
@settings(max_examples=150, deadline=None, derandomize=True)
def test_damaged_bytes_are_never_believed(tmp_path_factory, change):
    folder = tmp_path_factory.getbasetemp() / "damaged"
    folder.mkdir(exist_ok=True)
    small = dataclasses.replace(one(), impulse=one().impulse[:500], peak_lag=one().first_lag + 3)
    kept.keep(folder, KEY, deconvolved=small, notes=[NOTE])
    assert kept.load(folder, KEY) is not None
    entry(folder).write_bytes(changed_bytes(entry(folder).read_bytes(), change))
    assert kept.load(folder, KEY) is None


@given(st.binary(max_size=300))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_foreign_bytes_are_never_believed_though_their_digest_holds(tmp_path_factory, body):
    folder = tmp_path_factory.getbasetemp() / "foreign"
    folder.mkdir(exist_ok=True)
    for data in (body, signed(body), signed(b"{}\n" + body), signed(b"[1]\n" + body)):
        entry(folder).write_bytes(data)
        assert kept.load(folder, KEY) is None


NAMES = [field.name for field in dataclasses.fields(Deconvolved)]
ODD = st.one_of(
    st.none(), st.booleans(), st.integers(-3, 1 << 70), st.floats(), st.text(max_size=4),
    st.lists(st.integers(), max_size=2), st.dictionaries(st.sampled_from(NAMES), st.integers()),
)  # fmt: skip


@given(st.sampled_from(["format", "key", "notes", "lengths", "values"]), st.data())
@settings(max_examples=200, deadline=None, derandomize=True)
def test_an_odd_head_whose_digest_holds_is_left_aside_or_a_whole_record(
    tmp_path_factory, part, data
):
    folder = tmp_path_factory.getbasetemp() / "odd"
    folder.mkdir(exist_ok=True)
    kept.keep(folder, KEY, deconvolved=one(), notes=[NOTE])
    head, _, rest = entry(folder).read_bytes()[32:].partition(b"\n")
    about = json.loads(head)
    inside = data.draw(st.booleans()) and isinstance(about[part], dict)
    if inside:
        name = data.draw(st.sampled_from([*about[part], "more"]))
        about[part][name] = data.draw(ODD)
    else:
        about[part] = data.draw(ODD)
    entry(folder).write_bytes(signed(json.dumps(about).encode() + b"\n" + rest))
    found = kept.load(folder, KEY)
    if found is not None:
        record, notes = found
        assert all(isinstance(note, QualityNote) for note in notes)
        for field in dataclasses.fields(Deconvolved):
            assert type(getattr(record, field.name)) is type(getattr(one(), field.name))
        assert record.impulse.size == one().impulse.size
        assert record.drive_power.shape == record.frequency_hz.shape


IMPOSSIBLE = {
    "no number": lambda: {"impulse": np.array([1.0, np.nan, 2.0])},
    "infinite": lambda: {"drive_noise": np.full(GRID.size, np.inf)},
    "too short": lambda: {"drive_power": np.ones(GRID.size - 1)},
    "peak before": lambda: {"peak_lag": one().first_lag - 1},
    "peak behind": lambda: {"peak_lag": one().first_lag + one().impulse.size},
    "no amplitude": lambda: {"drive_amplitude": float("nan")},
    "no rate": lambda: {"sample_rate_hz": 0},
    "another type": lambda: {"tail_s": "0.5"},
}


@pytest.mark.parametrize("changes", IMPOSSIBLE.values(), ids=IMPOSSIBLE)
def test_a_record_that_cannot_be_is_not_believed(tmp_path, changes):
    kept.keep(tmp_path, KEY, deconvolved=dataclasses.replace(one(), **changes()), notes=[])
    assert entry(tmp_path).exists()
    assert kept.load(tmp_path, KEY) is None


def test_a_record_that_cannot_be_written_is_not_kept(tmp_path):
    odd = dataclasses.replace(one(), tail_s=object())
    kept.keep(tmp_path, KEY, deconvolved=odd, notes=[])
    assert list(tmp_path.iterdir()) == []


def test_another_captures_content_under_the_right_name_is_not_believed(tmp_path):
    kept.keep(tmp_path, OTHER, deconvolved=one(), notes=[])
    shutil.copy(entry(tmp_path, OTHER), entry(tmp_path))
    assert kept.load(tmp_path, OTHER) is not None
    assert kept.load(tmp_path, KEY) is None


def test_another_format_is_not_believed(tmp_path, monkeypatch):
    monkeypatch.setattr(kept, "_FORMAT", "upheld kept 0")
    kept.keep(tmp_path, KEY, deconvolved=one(), notes=[])
    monkeypatch.undo()
    assert kept.load(tmp_path, KEY) is None


# Where it lies


@pytest.mark.parametrize("name", [".upheld", ".upheld/kept"])
def test_a_folder_that_cannot_be_written_costs_nothing_but_time(tmp_path, name):
    blocked = tmp_path / name
    blocked.parent.mkdir(exist_ok=True)
    blocked.write_text("a file")
    folder = tmp_path / ".upheld" / "kept"
    kept.keep(folder, KEY, deconvolved=one(), notes=[])
    assert kept.load(folder, KEY) is None
    kept.tidy(folder, set())
    assert blocked.read_text() == "a file"


@pytest.mark.parametrize("name", [".upheld", ".upheld/kept", f".upheld/kept/{KEY}.kept"])
def test_nothing_is_read_or_written_through_a_link(tmp_path, name):
    elsewhere = tmp_path / "elsewhere"
    kept.keep(elsewhere / "kept", KEY, deconvolved=one(), notes=[])
    target = {".upheld": elsewhere, ".upheld/kept": elsewhere / "kept"}
    link = tmp_path / "session" / name
    link.parent.mkdir(parents=True)
    link.symlink_to(target.get(name, entry(elsewhere / "kept")))
    folder = tmp_path / "session" / ".upheld" / "kept"
    before = entry(elsewhere / "kept").read_bytes()
    assert kept.load(folder, KEY) is None
    kept.keep(folder, OTHER, deconvolved=one(), notes=[])
    kept.tidy(folder, set())
    assert [path.name for path in (elsewhere / "kept").iterdir()] == [f"{KEY}.kept"]
    assert entry(elsewhere / "kept").read_bytes() == before


def test_a_folder_in_an_entrys_place_is_left_alone(tmp_path):
    entry(tmp_path).mkdir()
    kept.keep(tmp_path, KEY, deconvolved=one(), notes=[])
    assert kept.load(tmp_path, KEY) is None
    kept.tidy(tmp_path, set())
    assert [path.name for path in tmp_path.iterdir()] == [f"{KEY}.kept"]


def test_tidying_leaves_what_was_used_and_what_is_not_ours(tmp_path):
    for key in (KEY, OTHER):
        kept.keep(tmp_path, key, deconvolved=one(), notes=[])
    (tmp_path / f".{KEY}.0123.kept").write_bytes(b"left by a killed run")
    (tmp_path / "reviewers-own.txt").write_text("mine")
    kept.tidy(tmp_path, {KEY, None})
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{KEY}.kept", "reviewers-own.txt"]


def test_all_entries_together_stay_below_the_limit(tmp_path, monkeypatch):
    kept.keep(tmp_path, KEY, deconvolved=one(), notes=[])
    size = entry(tmp_path).stat().st_size
    monkeypatch.setattr(kept, "MOST_BYTES", 2 * size)
    for key in (OTHER, "ef" * 32):
        kept.keep(tmp_path, key, deconvolved=one(), notes=[])
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{KEY}.kept", f"{OTHER}.kept"]


# A whole session


def results(session, **changes):
    measured = measuring.measure_captures(session, parameters=PARAMETERS, **changes)
    return list(measured.responses.values()), measured.notes


def compare(found, expected):
    assert found[1] == expected[1]
    assert len(found[0]) == len(expected[0])
    for a, b in zip(found[0], expected[0], strict=True):
        same(a, b)


def shelf(folder):
    return sorted((folder / ".upheld" / "kept").glob("*.kept"))


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
    without = results(facts, keep=False)
    assert shelf(session) == []
    first = results(facts)
    assert len(shelf(session)) == count
    reads.clear()
    second = results(read_session(session))
    assert reads == []
    compare(first, without)
    compare(second, without)


def test_one_new_capture_costs_one_capture(session, reads):
    facts = read_session(session)
    results(facts)
    before = shelf(session)
    path = facts.short_term[1].captures[0]
    samples, rate = soundfile.read(session / path)
    soundfile.write(session / path, 0.9 * samples, rate, subtype="PCM_24")
    facts = read_session(session)
    reads.clear()
    found = results(facts)
    assert reads == [path]
    after = shelf(session)
    assert len(set(before) - set(after)) == len(set(after) - set(before)) == 1
    shutil.rmtree(session / ".upheld" / "kept")
    compare(found, results(facts))


def test_a_spoilt_shelf_changes_no_result(session, reads):
    facts = read_session(session)
    first = results(facts)
    entries = shelf(session)
    entries[0].write_bytes(b"")
    entries[1].write_bytes(entries[2].read_bytes())
    entries[3].write_bytes(entries[3].read_bytes()[:-1])
    reads.clear()
    compare(results(facts), first)
    assert len(reads) == 3


def test_another_smoothing_is_measured_anew(session, reads):
    facts = read_session(session)
    results(facts)
    reads.clear()
    finer = checked_parameters(session=".", smoothing_fraction=24)
    measuring.measure_captures(facts, parameters=finer)
    assert sorted(reads) == sorted(measuring.sweep_captures(facts))
    assert len(shelf(session)) == len(reads)


def test_a_recording_that_changed_since_the_session_was_read_is_not_kept(session):
    facts = read_session(session)
    path = facts.baseline.captures[0]
    samples, rate = soundfile.read(session / path)
    soundfile.write(session / path, 0.9 * samples, rate, subtype="PCM_24")
    results(facts)
    assert len(shelf(session)) == len(measuring.sweep_captures(facts)) - 1


# Responses behind the gate


@pytest.fixture
def measures(monkeypatch):
    """The sources of all responses that are measured, not taken from the shelf."""
    sources = []
    measure = gated.measure_response

    def noted(one, **rest):
        sources.append(one.source)
        return measure(one, **rest)

    monkeypatch.setattr(gated, "measure_response", noted)
    return sources


def responses(folder):
    return sorted((folder / ".upheld" / "kept").glob("*.response"))


def test_a_second_run_measures_no_response_anew(session, measures):
    facts = read_session(session)
    first = results(facts)
    assert sorted(measures) == sorted(measuring.sweep_captures(facts))
    measures.clear()
    compare(results(read_session(session)), first)
    assert measures == []
    assert len(responses(session)) == len(shelf(session))


def test_another_gate_makes_every_response_anew(session, measures):
    facts = read_session(session)
    results(facts)
    text = (session / "session.toml").read_text("utf-8")
    (session / "session.toml").write_text(text.replace("[rig]", "[rig]\ngate_ms = 50.0"), "utf-8")
    facts = read_session(session)
    assert facts.rig.gate_ms == 50.0
    measures.clear()
    found = results(facts)
    assert sorted(measures) == sorted(measuring.sweep_captures(facts))
    shutil.rmtree(session / ".upheld" / "kept")
    compare(found, results(facts))


def test_another_baseline_makes_every_response_anew(session, measures):
    facts = read_session(session)
    results(facts)
    path = facts.baseline.captures[0]
    samples, rate = soundfile.read(session / path)
    samples[0] += 2.0**-20
    soundfile.write(session / path, samples, rate, subtype="PCM_24")
    facts = read_session(session)
    measures.clear()
    found = results(facts)
    assert sorted(measures) == sorted(measuring.sweep_captures(facts))
    compare(found, results(facts, keep=False))


def test_spoilt_responses_are_not_believed(session, measures):
    facts = read_session(session)
    first = results(facts)
    files = responses(session)
    files[0].write_bytes(b"")
    files[1].write_bytes(files[2].read_bytes())  # another capture's, under this one's name
    files[3].write_bytes(files[3].read_bytes()[:-1])
    body = b'{"format": "upheld kept 2", "key": "x"}'
    files[4].write_bytes(signed(body))
    measures.clear()
    compare(results(facts), first)
    assert len(measures) == 4


def test_a_response_without_a_shelf_leaves_nothing_behind(tmp_path):
    found = kept.load_response(tmp_path, KEY, made_with="")
    assert found is None
    kept.keep_text(tmp_path, KEY, kind="response", text="{}")  # no capture is kept under this key
    assert list(tmp_path.iterdir()) == []
