"""Reading recordings: WAV and FLAC through soundfile, checked before they are believed."""

from reportlib.captures.recordings import (
    check_headers,
    open_blocks,
    read_capture,
    read_stimulus,
)

__all__ = ["check_headers", "open_blocks", "read_capture", "read_stimulus"]
