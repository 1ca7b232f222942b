"""Kill runs of the command line at random times, and look at what is left after the next run.

``python kill_runs.py FOLDER VERB ROUNDS SEED`` with VERB publish, intake, report or refresh, and
``tests/plan`` on the path. A round is a run that is killed (SIGKILL), alone or with all that it
started, at a random time, half of them late; after it comes a run that nobody kills. Then nothing
may be lost, and nothing be there that a run without kills doesn't leave.
"""

import multiprocessing
import os
import random
import re
import shutil
import sys
import time
from contextlib import suppress
from pathlib import Path

import nbformat
import psutil

from reportlib.cli import main as upheld
from reportlib.publish import merge
from reportlib.session.reading import read_session
from reportlib.simulate.demo import make_demo

FORKED = multiprocessing.get_context("fork")
OFTEN = re.compile(r"\.upheld/(history|kept|sessions)/")
"""Where names differ from run to run; there only hidden ones are left over."""


def run(arguments):
    os.setsid()
    with Path(os.devnull).open("w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        os.dup2(nowhere.fileno(), 2)
    upheld([str(one) for one in arguments], standalone_mode=False)


def filed(arguments):
    """Whether an intake refuses since the one that was killed had filed all before."""
    command, folder, *_ = arguments
    return command == "intake" and folder.joinpath("session.toml").read_bytes() != (
        folder.joinpath("plan.toml").read_bytes()
    ) and bool(read_session(folder))  # fmt: skip


def finished(arguments):
    """Run to the end; return how long it took."""
    begun = time.monotonic()
    process = FORKED.Process(target=run, args=(arguments,))
    process.start()
    process.join()
    assert process.exitcode == 0 or filed(arguments), (arguments, process.exitcode)
    return time.monotonic() - begun


def killed(arguments, *, after_s, all_of_it):
    """Kill a run after a time; return whether it was at work then."""
    process = FORKED.Process(target=run, args=(arguments,))
    process.start()
    process.join(after_s)
    there = psutil.Process(process.pid).children(recursive=True) if process.is_alive() else []
    at_work = process.is_alive()
    process.kill()
    for one in there if all_of_it else ():
        with suppress(psutil.NoSuchProcess):  # it has ended with the others
            one.kill()
    process.join()
    _, alive = psutil.wait_procs(there, timeout=30)  # what was started ends by itself
    assert not alive, alive
    return at_work


def listing(folder):
    found = {path.relative_to(folder).as_posix() for path in folder.rglob("*")}
    return {name for name in found if not OFTEN.search(name) or re.search(r"/\.[^/]*$", name)}


def size(folder):
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def word(folder, number):
    """Add a word of the reviewer's to the notebook, as Jupyter saves it."""
    path = next(folder.rglob("report.ipynb"))
    notebook = nbformat.read(path, as_version=4)
    cell = next(cell for cell in notebook.cells if merge.slot(cell) == "in-short")
    cell.source += f"\n\nword{number}x"
    path.write_text(nbformat.writes(notebook), encoding="utf-8")


def prepared(folder, verb):
    """Make what a verb works on, where it isn't there; return its command, and a round's begin."""
    if verb == "intake":
        import test_intake as days

        day = days.planned(folder.parent / "plan", reference="terminals", space="free field")
        heap = days.heap(folder.parent, days.day_of(day, seed=31))

        def planned(_):
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(day, folder)

        return ["intake", folder, heap], planned
    session = folder / "trivet-6"
    if not session.exists():
        make_demo(session, speaker="trivet-6", stages_s=(2.0, 3.0), takes=1, record_stress=False)
        finished(["report", session])
    command = (
        ["archive", folder, "--refresh", "--jobs", "1"] if verb == "refresh" else [verb, session]
    )
    return command, lambda number: word(folder, number)


def main(top, verb, rounds, seed):
    generator = random.Random(seed)
    temporary, folder = top / "tmp", top / "sessions"
    for name in ("tmp", "jupyter"):
        (top / name).mkdir()
    os.environ |= {"TMPDIR": str(temporary), "JUPYTER_DATA_DIR": str(top / "jupyter")}
    command, begin = prepared(folder, verb)
    begin(0)
    finished(command)
    begin(0)
    took_s = finished(command)
    wanted, before = listing(folder), size(folder)
    died, leftovers, lost = 0, set(), set()
    for number in range(1, rounds + 1):
        begin(number)
        share = generator.uniform(generator.choice((0.0, 0.7)), 1.0)
        died += killed(command, after_s=share * took_s, all_of_it=generator.random() < 0.5)
        took_s = 0.8 * took_s + 0.2 * finished(command)
        leftovers |= listing(folder) - wanted
        leftovers |= {path.name for path in temporary.iterdir()}
        lost |= wanted - listing(folder)
        if verb != "intake":
            words = next(folder.rglob("report.ipynb")).read_text("utf-8")
            lost |= {one for one in range(1, number + 1) if f"word{one}x" not in words}
    grown = size(folder) / before
    print(f"{verb}: {rounds} rounds, {died} killed, leftovers {sorted(leftovers)}, "
          f"lost {sorted(map(str, lost))}, grown to {grown:.2f}")  # fmt: skip
    return bool(leftovers or lost or (rounds >= 20 and died < 0.5 * rounds))


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])))
