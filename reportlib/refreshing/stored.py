"""A session in a store made again: fetched, made here, put back."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from reportlib import folders, stores
from reportlib.errors import ReportError
from reportlib.one_line import one_line

_MOST_TRIES = 3
_CHECKED = ("made", "up to date")


def take_up_stored(
    address: str,
    *,
    whatever: bool,
    cache: Path | None,
    say: Callable[[str], None],
    make: Callable[[Path], dict[str, Any]],
) -> dict[str, Any]:
    """Make the report of a session in a store again, and tell what came of it.

    Where its notebook was saved in the store meanwhile, the newer one is fetched and run.

    Parameters
    ----------
    address : of the session
    whatever : make it again though it is up to date
    cache : folder in which recordings are kept, None where they are not
    say : called with what is being done
    make : makes the report in a folder of this machine, as `worker.take_up`
    """
    answer: dict[str, Any] = {}
    for _ in range(_MOST_TRIES):
        with folders.own_folder() as top:
            folder = top / (address.rstrip("/").rpartition("/")[2] or "session")
            try:
                say("fetching")
                copy = stores.Copy(stores.place_at(address), folder=folder, cache=cache)
                copy.fetch_report()
                if not whatever and copy.up_to_date():
                    return {"kind": "up to date"}
                copy.fetch_recordings()
                answer = make(folder)
                if answer["kind"] in _CHECKED:
                    say("putting back")
                    copy.put_back()
            except stores.ChangedMeanwhileError as error:
                answer = {"kind": "failed", "line": str(error)}
                continue
            except (ReportError, OSError) as error:
                line = " ".join(str(error).split())
                return {"kind": "failed", "line": one_line(line.replace(str(folder), address))}
        if "line" in answer:
            answer["line"] = answer["line"].replace(str(folder), address)
        return answer
    return answer
