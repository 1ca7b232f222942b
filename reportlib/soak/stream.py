"""A long recording as one stream, of which only a few periods are held at a time."""

from collections.abc import Iterable

import numpy as np

from reportlib.arrays import FloatArray


class Stream:
    """Samples in order, looked at from wherever the last look was dropped.

    Parameters
    ----------
    blocks : shape (channels, n) each, in order, of any length
    before : samples of silence that are put before the first
    """

    def __init__(self, blocks: Iterable[FloatArray], *, before: int = 0) -> None:
        self._blocks = iter(blocks)
        self._parts: list[FloatArray] = []
        self._held = 0
        self._whole = np.zeros((1, 0))
        self._before = before
        self.dropped = -before
        """Where in the recording the next look begins, in samples."""

    def look(self, count: int) -> FloatArray | None:
        """Return the next `count` samples, shape (channels, count); None where it ends before."""
        while self._held < count:
            block = next(self._blocks, None)
            if block is None:
                break
            if self._before:
                block = np.pad(block, ((0, 0), (self._before, 0)))
                self._before = 0
            self._parts.append(block)
            self._held += block.shape[-1]
        self._join()
        return self._whole[:, :count] if self._held >= count else None

    def drop(self, count: int) -> None:
        """Go on by `count` samples."""
        while count > 0 and self.look(min(count, 1 << 16)) is not None:
            step = min(count, 1 << 16)
            self._whole = self._whole[:, step:]
            self._held -= step
            self.dropped += step
            count -= step
        if count > 0:  # beyond the end
            self.dropped += count
            self._whole, self._held = self._whole[:, :0], 0

    def up_to(self, count: int) -> FloatArray:
        """Return the next `count` samples, or as many as the recording still has."""
        whole = self.look(count)
        return self._whole if whole is None else whole

    def _join(self) -> None:
        if self._parts:
            whole = [self._whole] if self._whole.size else []
            self._whole = np.concatenate([*whole, *self._parts], axis=1)
            self._parts = []
