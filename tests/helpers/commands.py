"""The command line, as a tester calls it."""

import re

from click.testing import CliRunner

from reportlib.cli import main


def run(*arguments, code=0):
    """Run one command, which must end with this exit code."""
    result = CliRunner().invoke(main, [str(one) for one in arguments])
    assert result.exit_code == code, result.output
    return result


def without_progress(printed):
    """Return what was printed, apart from how far the run was and how long it took."""
    return [line for line in printed.splitlines() if not re.search(r": \d+\.\d s$", line)]
