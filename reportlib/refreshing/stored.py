"""A session in a store made again: fetched, made here, put back."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from reportlib import folders, stores
from reportlib.errors import ReportError
from reportlib.one_line import one_line
from reportlib.refreshing.outcome import Outcome

_MOST_TRIES = 3
_CHECKED = ("made", "up to date")


def take_up_stored(
    address: str,
    *,
    whatever: bool,
    cache: Path | None,
    say: Callable[[str], None],
    make: Callable[[Path], Outcome],
) -> Outcome:
    """Make the report of a session in a store again, and tell what came of it.

    Where its notebook was saved in the store meanwhile, the newer one is fetched and run.

    Parameters
    ----------
    address : of the session
    whatever : make it again though it is up to date
    cache : folder in which recordings are kept, None where they are not
    say : called with what is being done
    make : makes the report in a folder of this machine, as `making.take_up`
    """
    outcome = Outcome(kind="failed")
    for _ in range(_MOST_TRIES):
        with folders.own_folder() as top:
            folder = top / (address.rstrip("/").rpartition("/")[2] or "session")
            try:
                say("fetching")
                copy = stores.Copy(stores.place_at(address), folder=folder, cache=cache)
                copy.fetch_report()
                if not whatever and copy.up_to_date():
                    return Outcome(kind="up to date")
                copy.fetch_recordings()
                outcome = make(folder)
                if outcome.kind in _CHECKED:
                    say("putting back")
                    copy.put_back()
            except stores.ChangedMeanwhileError as error:
                outcome = Outcome(kind="failed", line=str(error))
                continue
            except (ReportError, OSError) as error:
                outcome = Outcome(kind="failed", line=one_line(" ".join(str(error).split())))
        return replace(outcome, line=outcome.line.replace(str(folder), address))
    return outcome
