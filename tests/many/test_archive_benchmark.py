"""Archives by the thousand: figures printed, no time asserted (``-m benchmarks -n 0 -s``)."""

import shutil
import statistics
import time

import pytest
from archived import write_many

from reportlib.many.catalogue import write_catalogue
from reportlib.many.columns import compile_filter
from reportlib.many.index import read_index

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
