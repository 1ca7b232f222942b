"""A Jupyter kernel that has imported what the report needs before it is asked for the first time.

Run as ``python -m reportlib.publish.kernel``, with the arguments of ``ipykernel_launcher``.
"""

from typing import Any

from reportlib.draw import (
    figures,  # noqa: F401
    tables,  # noqa: F401
)
from reportlib.judge import analysis  # noqa: F401
from reportlib.publish import results  # noqa: F401
from reportlib.session import (
    parameters,  # noqa: F401
    reading,  # noqa: F401
)
from reportlib.write import data  # noqa: F401


def run(arguments: list[str] | None = None, **options: Any) -> None:
    """Be a kernel, until it is shut down."""
    from ipykernel.kernelapp import launch_new_instance

    launch_new_instance(argv=arguments, **options)


if __name__ == "__main__":
    run()
