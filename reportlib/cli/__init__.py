"""The command line, a module a verb or two; each is imported when its verb is asked for.

Each verb parses, calls one function and prints one line or a few. An error that the user can
mend is one line on standard error, and exit code 2 (the code that Click uses for a wrong
option, too); 1 is a fault of the tool itself.
"""

import importlib
import os

import click

from reportlib import __version__
from reportlib.publish.quick_imports import without_address_grammar

_VERBS = {
    "report": ("reports", "Make or refill a session's notebook; page, PDF, pictures, data."),
    "plan": ("plans", "Plan a measuring day: levels, files to play, a checklist."),
    "intake": ("plans", "File what the recorder brought home as a session's captures."),
    "check": ("checks", "Tell what went wrong in a session's recordings."),
    "publish": ("publishing", "Render an edited notebook again; analyses nothing."),
    "history": ("publishing", "List earlier notebooks, or put one back."),
    "compare": ("comparisons", "Set two to eight sessions beside each other."),
    "words": ("wordings", "List the wordings, or what a session fills into them."),
    "archive": ("archives", "List, filter and refresh many sessions; write their catalogue."),
    "demo": ("demos", "Simulate measuring days of invented loudspeakers."),
}
"""In which module each stands, and what is said of it where all are listed."""


class _Verbs(click.Group):
    """Knows its verbs by name, so that none waits for what another one imports."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the verbs, in the order of a measuring day."""
        return list(_VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a verb."""
        if cmd_name not in _VERBS:
            return None
        for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
            # products of small matrices lose more to threads than they gain
            os.environ.setdefault(threads, "1")
        with without_address_grammar():
            module = importlib.import_module(f"{__name__}.{_VERBS[cmd_name][0]}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the verbs without an import of any."""
        with formatter.section("Commands"):
            formatter.write_dl([(verb, about) for verb, (_, about) in _VERBS.items()])


@click.group(cls=_Verbs, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="upheld")
@click.pass_context
def main(context: click.Context) -> None:
    """Tell whether a loudspeaker's output keeps up with the volume.

    Makes a report on compression from a session folder of recorded sweeps.
    """
    context.with_resource(without_address_grammar())
