"""A worker process: takes session folders from standard input, makes their reports.

Run as ``python -P -m reportlib.refreshing.worker``. A line of JSON in: ``{"session": …, "all": …,
"patience_s": …, "cache": …}``; lines of JSON out: ``{"stage": …}`` while it works, then
``{"kind": …}`` with what came of it, and ``"last"`` where it takes no more. It ends when standard
input does.

Where processes can be forked, each session has a child and a kernel of its own (`nursery`);
elsewhere this process makes a few, each with a kernel that is started anew, and ends.
"""

import contextlib
import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportlib.errors import BusyError, ReportError
from reportlib.lock import same_folder
from reportlib.one_line import one_line
from reportlib.quick_imports import without_address_grammar

if TYPE_CHECKING:
    from reportlib.forked import Seed
    from reportlib.reporting import Kernels

Answer = dict[str, Any]
Say = Callable[..., None]
_LOOK_S = 0.2
_MOST_SESSIONS = 20
"""Made by one process that can't be forked: what sets PDFs keeps 17 MB of each."""


def take_up(
    session: Path,
    *,
    whatever: bool,
    patience_s: float = 0.0,
    say: Callable[[str], None] = lambda _: None,
    kernels: "Kernels | None" = None,
) -> Answer:
    """Make a session's report again where it is out of date, and tell what came of it.

    Parameters
    ----------
    whatever : make it again though it is up to date
    patience_s : how long to wait where another run is at work there
    say : called with what is being done
    kernels : what starts the kernel, as for `reporting.make_report`
    """
    begun = time.monotonic()
    while True:
        answer = _taken_up(session, whatever=whatever, say=say, kernels=kernels)
        took_s = time.monotonic() - begun
        if not answer.pop("busy", False) or took_s >= patience_s:
            return {**answer, "seconds": round(took_s, 3)}
        time.sleep(_LOOK_S)


def _taken_up(
    session: Path, *, whatever: bool, say: Callable[[str], None], kernels: "Kernels | None"
) -> Answer:
    try:
        with same_folder(session):
            answer = _made(session, whatever=whatever, say=say, kernels=kernels)
    except BusyError as error:
        answer = {"kind": "skipped", "line": str(error), "busy": True}
    except ReportError as error:
        answer = {"kind": "failed", "line": str(error)}
    except Exception as error:
        what = f"{session}: ended with {type(error).__name__}: {error}. This is a fault of upheld"
        answer = {"kind": "failed", "line": what}
    if "line" in answer:
        answer["line"] = one_line(" ".join(answer["line"].split()))
    return answer


def _made(
    session: Path, *, whatever: bool, say: Callable[[str], None], kernels: "Kernels | None"
) -> Answer:
    say("comparing recordings and words")
    from reportlib.archive import differences, row_of
    from reportlib.archive.stale import measured, out_of_date

    if not measured(session):
        return {"kind": "skipped", "line": f"{session}: planned, nothing recorded yet."}
    why = out_of_date(session)
    if not why and not whatever:
        return {"kind": "up to date"}
    before = row_of(session, folder=".")
    from reportlib.reporting import make_report

    @contextlib.contextmanager
    def stage(what: str) -> Iterator[None]:
        say(what)
        yield

    made = make_report(session, given={}, stage=stage, kernels=kernels)
    after = row_of(session, folder=".")
    known = before["state"] == "reported"
    return {
        "kind": "made",
        "why": why or ("asked for",),
        "changed": [asdict(one) for one in differences(before, after)] if known else [],
        "read_again": [
            f"{slot}: {'; '.join(reasons)}" for slot, reasons in made.run.read_again.items()
        ],
        "not_run": made.run.not_run,
    }


def main() -> int:
    """Work until standard input ends; return the exit code."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that the kernel ends with it
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the crew's to answer
    answers = os.dup(1)
    os.dup2(2, 1)  # whatever else prints does not get among the answers

    def say(**answer: object) -> None:
        with contextlib.suppress(BrokenPipeError):  # nobody listens: what is begun is finished
            data = f"{json.dumps(answer)}\n".encode()
            while data:
                data = data[os.write(answers, data) :]

    with without_address_grammar():
        import nbformat  # noqa: F401

    from reportlib.refreshing import nursery

    if nursery.prepare():
        return nursery.serve(partial(_in_a_child, say=say))
    for left, line in zip(reversed(range(_MOST_SESSIONS)), sys.stdin, strict=False):
        _work(line, say=partial(say, last=not left))
    return 0


def _in_a_child(line: str, seed: "Seed", *, say: Say) -> None:
    from reportlib import forked

    try:
        _work(line, say=say, kernels=partial(forked.started, seed=seed))
    finally:
        seed.end()


def _work(line: str, *, say: Say, kernels: "Kernels | None" = None) -> None:
    job = json.loads(line)
    whatever = job["all"]
    make = partial(
        take_up,
        patience_s=job.get("patience_s", 0.0),
        say=lambda what: say(stage=what),
        kernels=kernels,
    )
    from reportlib.stores.place import is_address

    if not is_address(job["session"]):
        say(**make(Path(job["session"]), whatever=whatever))
        return
    from reportlib.refreshing.stored import take_up_stored

    begun = time.monotonic()
    answer = take_up_stored(
        job["session"],
        whatever=whatever,
        cache=Path(job["cache"]) if job.get("cache") else None,
        say=lambda what: say(stage=what),
        make=partial(make, whatever=whatever),
    )
    say(**{**answer, "seconds": round(time.monotonic() - begun, 3)})


if __name__ == "__main__":
    sys.exit(main())
