"""Ctrl-C while others work: counted, and put among what they say."""

import contextlib
import queue
import signal
import threading
from collections.abc import Iterator
from typing import Any

PRESSED = "Ctrl-C"
AT_ONCE = 2
"""Presses after which nothing is waited for."""


@contextlib.contextmanager
def interrupts(said: "queue.SimpleQueue[Any]") -> Iterator[list[str]]:
    """Put Ctrl-C among what the workers say, wherever it meets this process, and count it.

    Outside the main thread there is nothing to catch: Python gives it no signals.
    """
    pressed: list[str] = []
    if threading.current_thread() is not threading.main_thread():
        yield pressed
        return

    def press(*_: object) -> None:
        pressed.append(PRESSED)
        said.put(PRESSED)

    before = signal.signal(signal.SIGINT, press)
    try:
        yield pressed
    finally:
        signal.signal(signal.SIGINT, before)
