"""How much audio the header of a WAV promises, against what the file holds.

libsndfile reads a WAV that was cut short without a word, as far as it goes; a copy that broke
off or a recorder that was never stopped would pass for a whole recording. The layout is that
of RIFF (Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0, 1991)
and of its 64-bit form RF64 (EBU Tech 3306); both from memory.
"""

import os
from pathlib import Path
from typing import BinaryIO

_ORDERS = {b"RIFF": "little", b"RF64": "little", b"BW64": "little", b"RIFX": "big"}
_IN_DS64 = 0xFFFFFFFF  # a size that RF64 keeps in its ds64 chunk


def missing_bytes(path: Path) -> int:
    """Return by how many bytes the file is shorter than its data chunk says; 0 for other files.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    with path.open("rb") as file:
        order = _ORDERS.get(file.read(4))
        length = os.fstat(file.fileno()).st_size
        promised = _promised_end(file, order=order) if order else 0
    return max(0, promised - length)


def _promised_end(file: BinaryIO, *, order: str) -> int:
    """Return where the samples end by the header, 0 where it has no data chunk."""

    def number(data: bytes) -> int:
        return int.from_bytes(data, "big" if order == "big" else "little")

    file.seek(12)
    long_size = _IN_DS64
    while len(chunk := file.read(8)) == 8:
        name, size = chunk[:4], number(chunk[4:])
        start = file.tell()
        if name == b"data":
            return start + (long_size if size == _IN_DS64 else size)
        if name == b"ds64":  # the whole file's size, then that of the data chunk
            long_size = number(file.read(16)[8:])
        file.seek(start + size + size % 2)
    return 0
