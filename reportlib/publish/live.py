"""What is live in the page: our own scripts, their data, and a policy that lets in no other.

A script is part of the page, so that it works from disk and without a network. The policy names
each by the digest of its text: a script that anyone else got into the page would not run.
"""

import base64
import hashlib
from collections.abc import Iterable
from dataclasses import asdict

from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup

from reportlib.publish.published import Figure, PageBlock
from reportlib.resources import templates_folder
from reportlib.shown import ReadOut, SeatCalculator

_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src {pictures}; base-uri 'none'; "
    "form-action 'none'"
)


def as_data(record: ReadOut | SeatCalculator) -> Markup:
    """Return a record as JSON that can stand inside a script element, whatever its texts hold.

    What could end the element, or a line of a script, is escaped.
    """
    return htmlsafe_json_dumps(asdict(record), allow_nan=False, separators=(",", ":"))


def scripts_for(blocks: Iterable[PageBlock]) -> list[Markup]:
    """Return the text of every script that some block needs, each once."""
    shown = list(blocks)
    names = []
    if any(isinstance(block, SeatCalculator) for block in shown):
        names.append("calculator.js")
    if any(isinstance(block, Figure) and block.picture.read_out is not None for block in shown):
        names.append("readout.js")
    folder = templates_folder() / "report"
    return [Markup((folder / name).read_text("utf-8")) for name in names]


def policy(scripts: Iterable[str], *, pictures: str = "data:") -> str:
    """Return the page's content security policy, which allows these scripts and nothing else.

    `pictures`: where pictures may come from; by default out of the page itself.

    >>> "script-src" in policy([]), policy(["go();"]).rpartition("; ")[2][:19]
    (False, "script-src 'sha256-")
    """
    digests = (hashlib.sha256(script.encode()).digest() for script in scripts)
    allowed = " ".join(f"'sha256-{base64.b64encode(one).decode('ascii')}'" for one in digests)
    rest = _POLICY.format(pictures=pictures)
    return f"{rest}; script-src {allowed}" if allowed else rest
