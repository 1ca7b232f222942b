"""Archives by the thousand: figures printed, no time asserted (``-m benchmarks -n 0 -s``)."""

import os
import shutil
import statistics
import sys
import time

import psutil
import pytest
from archived import write_many

from reportlib.archive import compile_filter, read_index
from reportlib.catalogue import write_catalogue
from reportlib.demo import make_demo
from reportlib.refreshing import refresh

pytestmark = pytest.mark.benchmarks
ASKED = "limit_1db_mids > 95 and grade_bass = holds or limit_1db_bass < 90"


def timed(job):
    start = time.perf_counter()
    found = job()
    return found, time.perf_counter() - start


@pytest.mark.parametrize("count", [1_000, 10_000])
def test_an_index_of_many(tmp_path, count):
    archive = write_many(tmp_path / "archive", count)
    index, made_s = timed(lambda: read_index(archive, say=print))
    _, again_s = timed(lambda: read_index(archive, say=print))
    chosen = compile_filter(ASKED)
    asked = [timed(lambda: sum(1 for _ in index.folders(chosen))) for _ in range(9)]
    runs = [timed(lambda: sum(1 for _ in index.rows(chosen))) for _ in range(3)]
    counts = [timed(lambda: index.untold(chosen)) for _ in range(9)]
    found = runs[0][0]
    print(
        f"\n{count} sessions: index made {made_s:.1f} s, looked over again {again_s:.2f} s, "
        f"filtered in {1e3 * statistics.median(took for _, took in asked):.1f} ms ({found} found; "
        f"{1e3 * statistics.median(took for _, took in runs):.0f} ms with all their columns), "
        f"can't tell counted in "
        f"{1e3 * statistics.median(took for _, took in counts):.1f} ms, "
        f"{(archive / '.upheld-archive/index.sqlite').stat().st_size / count:.0f} bytes a session"
    )
    shutil.rmtree(archive)  # it is more than pytest should have to clear away
    assert len(index) == count
    assert 0 < found < count


def test_a_catalogue_of_a_thousand(tmp_path):
    archive = write_many(tmp_path / "archive", 1000)
    index = read_index(archive, say=print)
    page, took_s = timed(lambda: write_catalogue(index, archive=archive))
    pictures = list((page.parent / "pictures").iterdir())
    print(
        f"\ncatalogue of 1000: {page.stat().st_size / 1e6:.2f} MB before pictures, {took_s:.2f} s; "
        f"{len(pictures)} pictures of {statistics.mean(one.stat().st_size for one in pictures):.0f}"
        " bytes"
    )
    assert page.stat().st_size <= 1_000_000


@pytest.mark.skipif(sys.platform != "linux", reason="memory is read as Linux counts it")
def test_sessions_made_by_one_worker_and_by_as_many_as_there_are_cores(tmp_path):
    """Short sessions, the rate of two workers against that of one, and the workers' memory."""
    count = int(os.environ.get("UPHELD_SESSIONS", "12"))
    one = make_demo(
        tmp_path / "first", speaker="trivet-6", stages_s=(2.0, 3.0), takes=1, record_stress=False
    )
    rates = {}
    for jobs in (1, 2):
        archive = tmp_path / f"by-{jobs}"
        folders = [f"s{number:03d}" for number in range(count)]
        for folder in folders:
            shutil.copytree(one, archive / folder)
        memory, kinds = [], []

        def done(outcome, memory=memory, kinds=kinds):
            kinds.append(outcome.kind)
            workers = psutil.Process().children()
            memory.append(max((one.memory_info().rss for one in workers), default=0) / 1e6)

        before = os.times()
        _, took_s = timed(
            lambda archive=archive, jobs=jobs, folders=folders, done=done: refresh(
                archive,
                folders=folders,
                jobs=jobs,
                say=lambda *_: None,
                done=done,
                ending=lambda: None,
            )
        )
        assert kinds == ["made"] * count
        rates[jobs] = count / took_s
        spent_s = sum(os.times()[2:4]) - sum(before[2:4])
        half = count // 2
        print(
            f"\n{jobs} at a time: {count} sessions in {took_s:.1f} s, {took_s / count:.2f} s each "
            f"({spent_s / count:.2f} s of processor); "
            f"largest worker {memory[half]:.0f} MB after half, {memory[-1]:.0f} MB at the end"
        )
    print(f"two against one: {rates[2] / rates[1]:.2f}")
