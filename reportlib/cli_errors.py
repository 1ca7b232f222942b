"""How the command line prints what the user can mend: one line on standard error."""

import sys
from collections.abc import Callable
from functools import wraps
from typing import Any

from reportlib.cli_shared import echo
from reportlib.errors import ReportError


def one_line_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Print a mendable error as one line, with its exit code."""

    @wraps(command)
    def wrapped(*args: Any, **options: Any) -> None:
        try:
            command(*args, **options)
        except ReportError as error:
            echo_error(error)
            sys.exit(error.exit_code)

    return wrapped


def echo_error(error: ReportError) -> None:
    """Print one error."""
    echo(f"upheld: {' '.join(str(error).split())}", err=True)
