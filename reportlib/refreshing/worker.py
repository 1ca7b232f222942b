"""A worker process: takes session folders from standard input, makes their reports.

Run as ``python -m reportlib.refreshing.worker``. A line of JSON in: ``{"session": …, "all": …}``;
lines of JSON out: ``{"stage": …}`` while it works, then ``{"kind": …}`` with what came of it.
It ends when standard input does.
"""

import contextlib
import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from reportlib.errors import BusyError, ReportError
from reportlib.one_line import one_line

Answer = dict[str, Any]


def take_up(
    session: Path, *, whatever: bool, say: Callable[[str], None] = lambda _: None
) -> Answer:
    """Make a session's report again where it is out of date, and tell what came of it.

    Parameters
    ----------
    whatever : make it again though it is up to date
    say : called with what is being done
    """
    begun = time.monotonic()
    try:
        answer = _made(session, whatever=whatever, say=say)
    except BusyError as error:
        answer = {"kind": "skipped", "line": str(error)}
    except ReportError as error:
        answer = {"kind": "failed", "line": _gone(session) or str(error)}
    except Exception as error:
        what = f"{session}: ended with {type(error).__name__}: {error}. This is a fault of upheld"
        answer = {"kind": "failed", "line": _gone(session) or what}
    if "line" in answer:
        answer["line"] = one_line(" ".join(answer["line"].split()))
    return {**answer, "seconds": round(time.monotonic() - begun, 3)}


def _made(session: Path, *, whatever: bool, say: Callable[[str], None]) -> Answer:
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

    made = make_report(session, given={}, stage=stage)
    after = row_of(session, folder=".")
    known = before["state"] == "reported"
    return {
        "kind": "made",
        "why": why or ("asked for",),
        "changed": [asdict(one) for one in differences(before, after)] if known else [],
        "read_again": [
            f"{slot}: {'; '.join(reasons)}" for slot, reasons in made.run.read_again.items()
        ],
    }


def _gone(session: Path) -> str:
    gone = not (session / "session.toml").exists()
    return f"{session}: was deleted or moved away while it was worked on." if gone else ""


def main() -> None:
    """Work until standard input ends."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that the kernel ends with it
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the crew's to answer
    answers = os.dup(1)
    os.dup2(2, 1)  # whatever else prints does not get among the answers

    def say(**answer: object) -> None:
        with contextlib.suppress(BrokenPipeError):  # nobody listens: what is begun is finished
            os.write(answers, f"{json.dumps(answer)}\n".encode())

    for line in sys.stdin:
        job = json.loads(line)
        say(**take_up(Path(job["session"]), whatever=job["all"], say=lambda s: say(stage=s)))


if __name__ == "__main__":
    main()
