"""Hundreds of sessions made again: rate, floor, memory (``-m benchmarks -n 0 -s``); none asserted.

``UPHELD_SESSIONS`` says how many (12; the published figures are of 200), ``UPHELD_JOBS`` by how
many workers, one after the other (``1,2``). One worker is held to one core and two to two, else
a report's own threads would blur what a core can do.
"""

import contextlib
import os
import re
import shutil
import statistics
import sys
import time

import numpy as np
import psutil
import pytest
import soundfile

from reportlib.many.refresh import Here, refresh
from reportlib.publish import kernels
from reportlib.publish.report import make_report
from reportlib.simulate.demo import make_demo

pytestmark = [
    pytest.mark.benchmarks,
    pytest.mark.skipif(sys.platform != "linux", reason="cores and memory as Linux counts them"),
]
COUNT = int(os.environ.get("UPHELD_SESSIONS", "12"))
JOBS = [int(jobs) for jobs in os.environ.get("UPHELD_JOBS", "1,2").split(",")]
SINGLE = 6
SEED = 20_260_511
GAIN_DB = 0.3


@pytest.fixture(scope="module")
def short_session(tmp_path_factory):
    """Sweeps at six levels and 5 s of stress before and after: the shortest whole session."""
    return make_demo(
        tmp_path_factory.mktemp("short") / "trivet-6",
        speaker="trivet-6",
        stages_s=(2.0, 3.0),
        takes=1,
        record_stress=False,
    )


def copies(session, archive, count):
    """Copies that differ: each is louder or quieter at its loudest level, and called otherwise."""
    rng = np.random.default_rng(SEED)
    loudest = sorted(session.glob("captures/short-*"))[-1].relative_to(session)
    samples, rate_hz = soundfile.read(session / loudest)
    for number in range(count):
        folder = shutil.copytree(session, archive / f"s{number:03d}")
        gain = 10 ** (rng.uniform(-GAIN_DB, 0.0) / 20)
        soundfile.write(folder / loudest, gain * samples, rate_hz, subtype="PCM_24")
        text = (folder / "session.toml").read_text("utf-8")
        named = re.sub(r'(?m)^name = "(.*)"$', rf'name = "\1, no. {number}"', text, count=1)
        (folder / "session.toml").write_text(named, "utf-8")
    return sorted(path.name for path in archive.iterdir())


@contextlib.contextmanager
def cores(count):
    """Hold this process, and what it starts meanwhile, to so many cores."""

    def hold(to):
        for process in (psutil.Process(), *psutil.Process().children()):
            process.cpu_affinity(to)

    before = sorted(os.sched_getaffinity(0))
    hold(before[:count])
    try:
        yield
    finally:
        hold(before)


def processor_s(process):
    times = process.cpu_times()
    return times.user + times.system


def single_run_s(folder):
    """Seconds by the clock and of processor for one report, its kernel started and at rest."""
    me = psutil.Process()
    with kernels.started(folder) as kernel:
        (child,) = me.children()
        spent = [-1.0, processor_s(child)]
        while spent[-1] - spent[-2] > 0.005 or spent[-1] < 0.5:
            time.sleep(0.5)
            spent.append(processor_s(child))
        before, start = os.times(), time.perf_counter()
        make_report(folder, given={}, kernels=lambda _: contextlib.nullcontext(kernel))
        took_s, after = time.perf_counter() - start, os.times()
    return took_s, sum(after[:4]) - sum(before[:4]) - spent[-1]


def of_children_s():
    """Seconds of processor of this process's children, and of theirs that have ended."""
    return sum(sum(one.cpu_times()[:4]) for one in psutil.Process().children())


def of_workers():
    """Megabytes of the process that others are forked from, and of the largest of these."""
    servers = psutil.Process().children()
    forked = []
    for server in servers:
        with contextlib.suppress(psutil.NoSuchProcess):
            forked += server.children(recursive=True)
    return [max((resident_mb(one) for one in those), default=0.0) for those in (servers, forked)]


def resident_mb(process):
    try:
        return process.memory_info().rss / 1e6
    except psutil.NoSuchProcess:
        return 0.0


def test_many_sessions_at_the_rate_of_their_single_runs(short_session, tmp_path):
    single = []
    with cores(1):
        for folder in copies(short_session, tmp_path / "single", SINGLE + 1):
            single.append(single_run_s(tmp_path / "single" / folder))
    floor_s, floor_processor_s = (statistics.median(one) for one in zip(*single[1:], strict=True))
    print(
        f"\nsingle run, kernel warm, one core: {floor_s:.2f} s, {floor_processor_s:.2f} s of "
        f"processor (median of {SINGLE}); load {os.getloadavg()[0]:.1f}"
    )
    shutil.rmtree(tmp_path / "single")
    rates = {}
    for jobs in JOBS:
        archive = tmp_path / f"by-{jobs}"
        folders = copies(short_session, archive, COUNT)
        memory, kinds = [], []

        def say(_, what, memory=memory):
            if "rendering" in what:
                memory.append(of_workers())

        start = time.perf_counter()
        with cores(jobs), Here(jobs) as workers:
            before_s = of_children_s()
            refresh(
                archive,
                folders=folders,
                workers=workers,
                say=say,
                done=lambda outcome, kinds=kinds: kinds.append(outcome.kind),
                ending=lambda: None,
            )
            spent_s = of_children_s() - before_s
        took_s = time.perf_counter() - start
        assert kinds == ["made"] * COUNT
        rates[jobs] = COUNT / took_s
        print(
            f"{jobs} at a time: {COUNT} sessions in {took_s:.1f} s, {took_s / COUNT:.2f} s each, "
            f"{spent_s / COUNT:.2f} s of processor each; against the single runs "
            f"{took_s * jobs / COUNT / floor_s:.2f} by the clock, "
            f"{spent_s / COUNT / floor_processor_s:.2f} in processor; load {os.getloadavg()[0]:.1f}"
        )
        for share in (0.1, 0.25, 0.5, 0.75, 1.0):
            worker_mb, forked_mb = memory[max(0, int(share * len(memory)) - 1)]
            print(
                f"    after {share:4.0%}: largest worker {worker_mb:.0f} MB, largest process "
                f"forked from it {forked_mb:.0f} MB, shared pages counted"
            )
        shutil.rmtree(archive)
    if len(rates) == 2:
        print(f"two against one: {rates[2] / rates[1]:.2f}")
