"""The command line, as a tester calls it."""

from click.testing import CliRunner

from reportlib.cli import main


def run(*arguments, code=0):
    """Run one command, which must end with this exit code."""
    result = CliRunner().invoke(main, [str(one) for one in arguments])
    assert result.exit_code == code, result.output
    return result
