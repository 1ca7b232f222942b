"""A Jupyter kernel that has imported what the report needs before it is asked for the first time.

Run as ``python -m reportlib.kernel``, with the arguments of ``ipykernel_launcher``.
"""

from typing import Any

from reportlib import (  # noqa: F401
    analysis,
    figures,
    memory,
    parameters,
    playing,
    session,
    tables,
)
from reportlib.words import calculator  # noqa: F401


def run(arguments: list[str] | None = None, **options: Any) -> None:
    """Be a kernel, until it is shut down."""
    from ipykernel.kernelapp import launch_new_instance

    launch_new_instance(argv=arguments, **options)


if __name__ == "__main__":
    run()
