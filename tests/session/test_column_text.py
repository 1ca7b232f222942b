"""Column text as the session format has it: what is read, and how a fault is said."""

import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from session_factory import MINIMAL, changed, write_session

from reportlib.errors import CaptureError
from reportlib.session import columns
from reportlib.session.captures import check_headers
from reportlib.session.columns import read_column_text, read_correction
from reportlib.session.reading import read_session
from reportlib.session.records import ColumnText

NAME = "captures/short-72.txt"
TEXT = MINIMAL.replace(".wav", ".txt").replace("stimulus/sweep.txt", "stimulus/sweep.wav")


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    return read_session(write_session(tmp_path_factory.mktemp("text") / "marram-12", TEXT))


def put(session, data, *, path=NAME):
    with open(f"{session.folder}/{path}", "wb") as file:  # noqa: PTH123
        file.write(data if isinstance(data, bytes) else data.encode("utf-8"))


def read(session, data):
    put(session, data)
    return read_column_text(session, NAME)


def said(session, data):
    """Return the one line about a file, from its name on."""
    with pytest.raises(CaptureError) as caught:
        read(session, data)
    line = str(caught.value)
    assert line.splitlines() == [line]
    assert line.startswith(f"{session.folder}/{NAME}")
    return line.removeprefix(f"{session.folder}/")


def numbers(found):
    columns = [found.frequency_hz, found.level_db]
    return np.array(columns if found.phase_deg is None else [*columns, found.phase_deg]).T.tolist()


# What is read

TWO = [[20.5, -3.25], [1000.0, 80.0]]
THREE = [[20.5, -3.25, 90.0], [1000.0, 80.0, -179.5]]


@pytest.mark.parametrize(
    "text",
    [
        "20.5 -3.25\n1000 80\n",
        "20.5\t-3.25\n1000\t80\n",
        "20.5,-3.25\n1000,80\n",
        "20.5, -3.25\n1000, 80\n",
        "20.5 ,-3.25\n1000 ,80\n",
        "20.5;-3.25\n1000;80\n",
        "20,5;-3,25\n1000;80\n",
        "20,5 ; -3,25\n1000,0 ; 80,0\n",
        "20,5 -3,25\n1000 80\n",
        "20,5\t-3,25\n1000\t80\n",
        "  20.5    -3.25\n1000.0    80.00",
        "2.05e1 -.325E+1\n+1e3 80.\n",
        "20.5 −3.25\n1000 80\n",
    ],
)
def test_every_separator_and_decimal_mark(session, text):
    found = read(session, text)
    assert numbers(found) == TWO
    assert found.source == NAME


@pytest.mark.parametrize(
    "text", ["20.5 -3.25 90\n1000 80 -179.5", "20,5;-3,25;90\n1000;80;-179,5", "20.5,-3.25,90.0\n"
             "1000,80,-179.5"],
)  # fmt: skip
def test_the_third_column_is_phase(session, text):
    assert numbers(read(session, text)) == THREE


def test_before_the_first_row_anything_that_starts_with_no_number_is_a_comment(session):
    text = '* made by hand\n"Hz";"dB"\n\n  Hz dB\n; a\n, b\n# c\n20.5;-3.25\n# later\n1000;80\n'
    assert numbers(read(session, text)) == TWO


@pytest.mark.parametrize(
    "encoded",
    [
        "# Düne\r\n20.5 -3.25\r\n1000 80\r\n".encode("utf-8-sig"),
        "# Düne\n20.5 -3.25\n1000 80\n".encode("latin-1"),
        b"# old\r20.5 -3.25\r1000 80\r",
        "# Düne\n20.5 -3.25\n1000 80\n".encode("utf-16"),
        b"20.5 -3.25\n1000 80\n\n  \n",
    ],
)
def test_marks_line_ends_and_encodings(session, encoded):
    assert numbers(read(session, encoded)) == TWO


def test_the_record_cannot_be_changed(session):
    found = read(session, "20 1\n40 2\n")
    with pytest.raises(ValueError, match="read-only"):
        found.level_db[0] = 0.0


# What is wrong


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("20 1\n30 x\n", "line 2: “30 x” is no row of two or three numbers"),
        ("20 1\nend\n", "line 2: “end” is no row"),
        ("20 1\n\n30 2\n", "line 2: “” is no row"),
        ("20 1\n; c\n30 2\n", "line 2: “; c” is no row"),
        ("2026-05-04\n20 1\n30 2\n", "line 1: “2026-05-04” is no row"),
        ("# a\n# b\n20\n30 1\n", "line 3: “20” is no row"),
        ("20 1 2 3\n30 1 2 3\n", "line 1: “20 1 2 3” is no row"),
        ("20 1\n30 1 2\n", "line 2: 3 columns, but the row before has 2"),
        ("20;1\n30 1\n", "line 2: “30 1” is no row of two or three numbers (frequency in Hz, "
         "level in dB and perhaps phase in degrees, parted by semicolons"),
        ("20,1\n30 1\n", "parted by commas"),
        ("20 1\n30,1\n", "parted by spaces or tabs"),
        ("20 1\n30 1 # hm\n", "line 2: “30 1 # hm” is no row"),
        ("20;1,5\n30;1.5\n", "line 2: decimal commas and decimal points in one file"),
        ("20,5;1.5\n", "line 1: decimal commas and decimal points in one file"),
        ("1.000,5;80\n", "line 1: “1.000,5;80” is no row"),
        ("999;80,5\n1.000;80,5\n", "line 2: decimal commas and decimal points"),
        ("20 nan\n", "line 1: “20 nan” is no row"),
        ("20 1e999\n30 1\n", "line 1: a number beyond all bounds"),
        ("0 1\n30 1\n", "line 1: the frequency is 0 Hz, expected one above 0"),
        ("-5 1\n30 1\n", "line 1: the frequency is −5 Hz"),
        ("20 1\n30 -4000\n", "line 2: the level is −4000 dB, beyond any level"),
        ("20 1\n30 1\n30 2\n", "line 3: the frequency goes from 30 to 30 Hz, expected frequencies"),
        ("20 1\n30 1\n25 2\n", "line 3: the frequency goes from 30 to 25 Hz"),
        ("20 1\n", "it holds one row, expected two rows or more"),
        ("# nothing\n", "it holds no row that starts with a number"),
        ("20 1\n30 " + "1" * 100, "line 2: “30 1111"),
        (b"RIFF\0\0\0\0WAVE", "no plain text"),
        (b"20 1\n30 \xff\n", "line 2: “30 ÿ” is no row"),
        ("٢٠ ٣\n20 1\n٣٠ ١\n", "line 3: “٣٠ ١” is no row"),
    ],
)  # fmt: skip
def test_a_line_that_is_no_row_is_named(session, text, words):
    assert words in said(session, text)


def test_a_huge_file_is_refused_before_it_is_parsed(session, monkeypatch):
    monkeypatch.setattr(columns, "MOST_BYTES", 1 << 20)
    assert "larger than 1 MB" in said(session, b"20 1\n" * (1 << 18))


def test_a_file_that_has_gone_since(session):
    with pytest.raises(CaptureError, match=r"gone\.txt: cannot be read \(No such file"):
        read_column_text(session, "captures/gone.txt")


def test_faults_come_early(tmp_path):
    session = read_session(write_session(tmp_path / "marram-12", TEXT))
    assert check_headers(session) == 0
    put(session, "20 1\nx\n", path="captures/short-78.txt")
    with pytest.raises(CaptureError, match=r"short-78\.txt, line 2: “x” is no row"):
        check_headers(session)


# The microphone's correction


@pytest.fixture
def corrected(tmp_path):
    text = changed("[sweep]", 'microphone_correction = "calibration/mic.cal"\n[sweep]')
    folder = write_session(tmp_path / "marram-12", text)
    (folder / "calibration").mkdir()
    (folder / "calibration/mic.cal").write_text('"Sens at 1 kHz"\n20 -1.5\n20000 2.5\n')
    return read_session(folder)


def test_the_correction_is_read(corrected, session):
    assert numbers(read_correction(corrected)) == [[20.0, -1.5], [20000.0, 2.5]]
    assert read_correction(session) is None


@pytest.mark.parametrize(
    ("text", "words"),
    [("20 1\n20 2\n", "mic.cal, line 2: the frequency goes"), ("20 1\n1000 -38\n", "mic.cal: −38 dB"
      " at 1000 Hz, expected by how many dB the microphone reads too high, within ±30 dB")],
)  # fmt: skip
def test_a_wrong_correction_is_found_with_the_headers(corrected, text, words):
    put(corrected, text, path="calibration/mic.cal")
    with pytest.raises(CaptureError) as caught:
        check_headers(corrected)
    assert words in str(caught.value)


# Anything at all

LINES = st.lists(
    st.text(st.sampled_from("0123456789+-.,;#eE \tabné−\x0c\u2028"), max_size=12), max_size=6
)


@given(data=st.one_of(st.binary(max_size=60), LINES.map(lambda lines: "\n".join(lines).encode())))
def test_any_bytes_give_a_curve_or_one_line(session, data):
    line = None
    try:
        found = read(session, data)
    except CaptureError as error:
        line = str(error)
    if line is not None:
        assert line.splitlines() == [line]
        return
    assert isinstance(found, ColumnText)
    assert np.all(np.isfinite(found.level_db))
    assert np.all(np.diff(found.frequency_hz) > 0.0)
    assert found.frequency_hz[0] > 0.0
    assert found.frequency_hz.size >= 2


ROWS = st.lists(
    st.tuples(
        st.floats(1e-3, 1e6).map(lambda x: float(f"{x:.6g}")),
        st.floats(-300.0, 300.0).map(lambda x: round(x, 5) + 0.0),
    ),
    min_size=2,
    max_size=20,
    unique_by=lambda row: row[0],
).map(sorted)


@given(
    rows=ROWS,
    mark=st.sampled_from(".,"),
    separator=st.sampled_from([" ", "\t", ";", " ; ", "   "]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_what_is_written_is_read(session, rows, mark, separator, end):
    """Against Python's own shortest writing of each number, with either decimal mark."""
    text = end.join(separator.join(repr(value).replace(".", mark) for value in row) for row in rows)
    assert numbers(read(session, "Hz dB" + end + text + end)) == [list(row) for row in rows]


_CELLS = st.sampled_from(
    [
        *("1", "20.5", "20,5", "-3", "+4", "1e3", "1E9", ".5", "5.", ",5", "5,", "nan", "inf"),
        *("1_0", "0x1", "−3", "", "#", "a", "1d2", "9" * 61, "1e400", "\xa0", "100", "300,0"),
    ]
)
_PARTS = st.sampled_from([" ", "\t", ",", ";", ", ", "; ", " ,"])


@given(
    st.lists(st.lists(_CELLS, min_size=1, max_size=4), min_size=1, max_size=4),
    _PARTS,
    st.sampled_from(["\n", "\r\n", "\n\n", "\n# x\n"]),
)
def test_what_is_read_at_once_is_what_is_read_line_by_line(session, rows, part, end):
    put(session, end.join(part.join(row) for row in rows))

    def outcome():
        try:
            return numbers(read_column_text(session, NAME))
        except CaptureError as error:
            return str(error)

    at_once = outcome()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(columns, "_at_once", lambda _: None)
        assert outcome() == at_once


@pytest.mark.parametrize(("part", "mark"), [("\t", "."), (";", ",")])
def test_a_million_rows_are_a_matter_of_seconds(session, part, mark):
    frequencies_hz = np.linspace(10.0, 20e3, 1_000_000)
    text = "Hz dB\n" + "\n".join(f"{hz:.3f}{part}-3.5" for hz in frequencies_hz.tolist())
    put(session, text.replace(".", mark))
    begun = time.process_time()
    found = read_column_text(session, NAME)
    assert time.process_time() - begun < 6.0
    assert found.frequency_hz.size == 1_000_000
