"""Sessions in a store: fetched, worked on, put back; in memory, in files, and by an S3 server."""

import json
from functools import partial
from pathlib import Path

import nbformat
import pytest
from commands import run

from reportlib.errors import StoreError
from reportlib.many.making import Outcome, take_up, take_up_stored
from reportlib.many.stale import out_of_date
from reportlib.many.stores import Copy, Place, place_at

fsspec = pytest.importorskip("fsspec", reason="needs fsspec: pip install 'upheld[cluster]'")
WORDS = "In my own words: it stays clean."
BUCKET = "library"


@pytest.fixture(scope="module")
def s3():
    """An S3 server in a thread of this process, at a port that was free; no network beyond."""
    pytest.importorskip("s3fs", reason="needs s3fs: pip install 'upheld[cluster]'")
    server = pytest.importorskip("moto.server", reason="needs moto's server")
    made = server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    made.start()
    host, port = made.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        for name, value in {
            "AWS_ENDPOINT_URL": f"http://{host}:{port}",
            "AWS_ACCESS_KEY_ID": "nobody",
            "AWS_SECRET_ACCESS_KEY": "nothing",
            "AWS_DEFAULT_REGION": "us-east-1",
        }.items():
            patch.setenv(name, value)
        fsspec.filesystem("s3", skip_instance_cache=True).mkdir(BUCKET)
        yield f"s3://{BUCKET}"
    made.stop()


@pytest.fixture(params=["memory", "file"])
def archive(request, reported, tmp_path):
    """Address of an archive of one session, whose report is up to date, called trivet-6."""
    return filled(f"{request.param}://{tmp_path}/store", reported)


@pytest.fixture
def in_s3(s3, reported, tmp_path):
    """The same by the server."""
    return filled(f"{s3}/{tmp_path.name}", reported)


def filled(address, reported):
    place = place_at(f"{address}/trivet-6")
    for path in reported.rglob("*"):
        name = path.relative_to(reported).as_posix()
        if path.is_file() and not name.startswith((".upheld/kept", "out/figures")):
            place.put(name, path)
    return address


def contents(address):
    place = place_at(address)
    return {name: place.read(name) for name in place.files()}


def put(address, name, data, folder):
    path = folder / "to put"
    path.write_bytes(data)
    place_at(address).put(name, path)


def taken_up(address, make, **how):
    how = {"whatever": False, "cache": None, "say": lambda _: None, **how}
    return take_up_stored(f"{address}/trivet-6", make=make, **how)


def checked(folder):
    """What `take_up` answers to a session that is up to date by its digests."""
    assert out_of_date(folder) == ()
    return Outcome(kind="up to date")


def rerun(folder, *, words=None):
    """What a run writes: new pages and results, and the notebook with `words` at its end."""
    notebook = nbformat.read(folder / "report.ipynb", as_version=4)
    notebook.cells.append(nbformat.v4.new_markdown_cell(words or "run again"))
    nbformat.write(notebook, folder / "report.ipynb")
    for name in (".upheld/memory.json", "out/report.html"):
        (folder / name).write_text("new")
    (folder / "out" / "report.pdf").unlink()
    return Outcome(kind="made", why=("asked for",))


def edit(address, folder):
    """Somebody saves the notebook in the store."""
    notebook = nbformat.reads(contents(address)["trivet-6/report.ipynb"].decode(), as_version=4)
    notebook.cells.append(nbformat.v4.new_markdown_cell(WORDS))
    put(address, "trivet-6/report.ipynb", nbformat.writes(notebook).encode(), folder)


def never(folder):
    raise AssertionError("there was nothing to do")


def test_what_is_up_to_date_is_known_without_its_recordings(archive, tmp_path, monkeypatch):
    before = contents(archive)
    assert taken_up(archive, checked).kind == "up to date"
    after = contents(archive)
    assert after.pop("trivet-6/.upheld/fetched.json")
    assert after == before
    fetched = []
    fetch = Place.fetch
    monkeypatch.setattr(Place, "fetch", lambda *a: fetched.append(a[1]) or fetch(*a))
    assert taken_up(archive, never).kind == "up to date"
    assert "session.toml" in fetched
    assert not [name for name in fetched if name.startswith(("captures/", "stimulus/"))]
    capture = next(name for name in before if "/captures/" in name)
    put(archive, capture, before[capture] + b" ", tmp_path)
    seen = []
    taken_up(archive, lambda folder: seen.append(out_of_date(folder)) or Outcome(kind="failed"))
    assert seen == [(f"{capture.removeprefix('trivet-6/')} changed",)]


def test_only_what_changed_is_put_back_in_order_and_nothing_is_deleted(archive, monkeypatch):
    before = contents(archive)
    names = []
    really = Place.put
    monkeypatch.setattr(Place, "put", lambda *a: names.append(a[1]) or really(*a))
    assert taken_up(archive, rerun, whatever=True).kind == "made"
    assert names == [
        "report.ipynb", "out/report.html", ".upheld/fetched.json", ".upheld/memory.json",
    ]  # fmt: skip
    after = contents(archive)
    assert set(before) <= set(after)
    assert {name for name in before if after[name] != before[name]} == {
        f"trivet-6/{name}" for name in names if not name.endswith("fetched.json")
    }


def test_a_notebook_saved_meanwhile_is_run_again_with_its_words(archive, tmp_path):
    runs = []

    def make(folder):
        runs.append(folder)
        if len(runs) == 1:
            edit(archive, tmp_path)
        return rerun(folder)

    assert taken_up(archive, make, whatever=True).kind == "made"
    assert len(runs) == 2
    saved = contents(archive)["trivet-6/report.ipynb"].decode()
    assert WORDS in saved
    assert "run again" in saved


def test_a_notebook_saved_again_and_again_is_not_overwritten(archive, tmp_path):
    def make(folder):
        edit(archive, tmp_path)
        return rerun(folder)

    answer = taken_up(archive, make, whatever=True)
    assert answer.kind == "failed"
    assert f"{archive}/trivet-6/report.ipynb was saved in the store again" in answer.line
    saved = contents(archive)["trivet-6/report.ipynb"].decode()
    assert saved.count(WORDS) == 3
    assert "run again" not in saved


def test_a_session_deleted_while_it_runs_is_not_put_back(archive):
    def make(folder):
        system, root = fsspec.core.url_to_fs(archive)
        system.rm(f"{root}/trivet-6", recursive=True)
        return rerun(folder)

    answer = taken_up(archive, make, whatever=True)
    assert answer.kind == "failed"
    assert answer.line == f"{archive}/trivet-6: was deleted or moved away while it was worked on."
    assert contents(archive) == {}


def test_a_cut_off_between_two_files_is_made_again(archive, monkeypatch):
    """The line to the store breaks after the notebook, before what the pages were made from."""
    really = Place.put

    def put_once(self, name, path):
        if name == ".upheld/memory.json":
            raise StoreError(f"{self.address}: the line broke.")
        really(self, name, path)

    with monkeypatch.context() as patch:
        patch.setattr(Place, "put", put_once)
        assert taken_up(archive, rerun, whatever=True).line.endswith("the line broke.")
    seen = []
    taken_up(archive, lambda folder: seen.append(out_of_date(folder)) or Outcome(kind="failed"))
    assert seen == [("its words were edited since",)]


def test_a_half_copied_session_is_said_by_its_address(archive):
    capture = next(name for name in contents(archive) if "/captures/short" in name)
    system, root = fsspec.core.url_to_fs(archive)
    system.rm(f"{root}/{capture}")
    answer = taken_up(archive, partial(take_up, whatever=False))
    assert answer.kind == "failed"
    assert answer.line.startswith(f"{archive}/trivet-6/")
    assert "is not there" in answer.line


def test_recordings_are_fetched_once_where_they_can_be_kept(archive, tmp_path, monkeypatch):
    fetched = []
    fetch = Place.fetch
    monkeypatch.setattr(Place, "fetch", lambda *a: fetched.append(a[1]) or fetch(*a))
    for _ in range(2):
        taken_up(archive, checked, whatever=True, cache=tmp_path / "cache")
    captures = [name for name in fetched if name.startswith("captures/")]
    assert captures
    assert len(set(captures)) == len(captures)


def test_earlier_notebooks_keep_their_numbers(archive, tmp_path):
    """Only the newest is fetched; of the others it is known that they are there."""
    for number in (2, 3):
        put(archive, f"trivet-6/.upheld/history/{number:05}-report.ipynb", b"{}", tmp_path)
    place = place_at(f"{archive}/trivet-6")
    copy = Copy(place, folder=tmp_path / "copy")
    copy.fetch_report()
    sizes = [path.stat().st_size for path in sorted((copy.folder / ".upheld/history").glob("0*"))]
    assert sizes == [0, 0, 2]


def test_in_s3_the_words_of_whoever_saved_meanwhile_are_kept(in_s3, tmp_path):
    test_a_notebook_saved_meanwhile_is_run_again_with_its_words(in_s3, tmp_path)


def test_in_s3_what_is_up_to_date_is_known_without_its_recordings(in_s3, tmp_path, monkeypatch):
    test_what_is_up_to_date_is_known_without_its_recordings(in_s3, tmp_path, monkeypatch)


def listed(archive, cache, *options):
    result = run("archive", archive, "--cache", cache, *options)
    return result.stdout


def test_an_archive_in_a_store_is_listed_and_has_its_catalogue_there(in_s3, tmp_path):
    archive = in_s3
    (row,) = json.loads(listed(archive, tmp_path, "--json"))["sessions"]
    assert (row["folder"], row["state"], row["problem"]) == ("trivet-6", "reported", None)
    put(archive, "half/session.toml", b"format = 1\n", tmp_path)
    (half,) = json.loads(listed(archive, tmp_path, "--json", "--where", "folder = half"))[
        "sessions"
    ]
    assert half["problem"].startswith(f"{archive}/half/session.toml: [speaker] is missing")
    there = contents(archive)
    assert b'href="../trivet-6/out/report.html"' in there["catalogue/index.html"]
    assert ".upheld-archive/index.sqlite" in there
    assert f"Catalogue: {archive}/catalogue/index.html" in listed(archive, tmp_path)


@pytest.mark.slow
def test_a_refresh_in_an_s3_store_by_worker_processes(s3, session, tmp_path):
    """The whole way, over the server: made, put back, and known to be up to date."""
    address = f"{s3}/{tmp_path.name}"
    for path in session.rglob("*"):
        if path.is_file():
            place_at(f"{address}/trivet-6").put(path.relative_to(session).as_posix(), path)
    command = ["archive", address, "--refresh", "--jobs", "1", "--no-catalogue"]
    result = run(*command)
    assert "trivet-6: made again, since no report was made yet." in result.stdout
    mine = tmp_path / "mine"
    for name, data in contents(f"{address}/trivet-6").items():
        (mine / name).parent.mkdir(parents=True, exist_ok=True)
        (mine / name).write_bytes(data)
    assert out_of_date(mine) == ()
    assert taken_up(address, never).kind == "up to date"


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("nosuch://library/tests", "nosuch://library/tests: the store refuses"),
        ("gs://library/tests", "what gs:// needs is not installed"),
        ("file:///no/such/archive", "nothing lies there"),
    ],
)
def test_a_store_that_is_not_there_is_said_in_one_line(address, said):
    if address.startswith("gs") and Path(fsspec.__file__).parent.with_name("gcsfs").exists():
        pytest.skip("gcsfs is installed here")
    result = run("archive", address, code=2)
    assert len(result.stderr.splitlines()) == 1
    assert said in result.stderr


def test_a_name_that_leads_out_of_the_session_is_refused(tmp_path):
    system = fsspec.filesystem("memory")
    system.store[f"{tmp_path}/x/../../escaped"] = fsspec.implementations.memory.MemoryFile(
        system, f"{tmp_path}/x/../../escaped", b"x"
    )
    with pytest.raises(StoreError, match="no such name can be a file's"):
        place_at(f"memory://{tmp_path}").files()
