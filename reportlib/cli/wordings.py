"""``upheld words``: what reports say, block by block, for a tester who says it otherwise."""

import itertools
from dataclasses import asdict
from pathlib import Path

import click

from reportlib.cli.shared import JSON, echo, echo_json, one_line_errors
from reportlib.draw.wordings import ENDING
from reportlib.many.wordings import all_wordings, used_wordings

_MOST_SHOWN = 100
"""Characters of a value; ``--json`` has all of it."""


@click.command()
@click.argument("session", type=click.Path(path_type=Path), required=False)
@JSON
@one_line_errors
def words(session: Path | None, *, as_json: bool) -> None:
    """List the wordings of reports and comparisons; of SESSION those it uses, with their values.

    To say one in your own way, put its block into a file of that name, in a folder "words" beside
    your sessions, or any other with "upheld report SESSION --words FOLDER". Keep its values: they
    are put in where {{ name }} stands. What your file does not have is said as here.

    \b
    Example:
      upheld words demo_inputs/trivet-6
    """
    found = all_wordings() if session is None else used_wordings(session)
    if as_json:
        echo_json([asdict(one) for one in found])
        return
    for slot, blocks in itertools.groupby(found, key=lambda one: one.slot):
        echo(f"--- {slot}{ENDING}")
        for one in blocks:
            echo(f"{{% block {one.block} %}}")
            for line in one.text.splitlines():
                echo(line)
            echo("{% endblock %}")
            if session is not None:
                times = "once" if one.times == 1 else f"{one.times} times, here the first"
                echo(f"    {'yours, ' * one.own}said {times}")
            for name, value in one.values.items():
                shown = " ".join(value.split())
                cut = "…" * (len(shown) > _MOST_SHOWN)
                echo(f"    {name} = {shown[:_MOST_SHOWN]}{cut}")
            echo("")
