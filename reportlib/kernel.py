"""A Jupyter kernel that has imported what the report needs before it is asked for the first time.

Run as ``python -m reportlib.kernel``, with the arguments of ``ipykernel_launcher``.
"""

import contextlib
import importlib

NEEDED = (
    "analysis", "figures", "memory", "parameters", "playing", "session", "tables",
    "words.calculator",
)  # fmt: skip


def prepare() -> None:
    """Import what the report's notebook imports; what is wrong, the notebook says itself."""
    with contextlib.suppress(Exception):
        for name in NEEDED:
            importlib.import_module(f"reportlib.{name}")


if __name__ == "__main__":
    from ipykernel.kernelapp import launch_new_instance

    prepare()
    launch_new_instance()
