"""Reading captures: WAV and FLAC through soundfile, and column text; checked before believed."""

from reportlib.captures.calibrator import read_full_scale_db
from reportlib.captures.column_text import read_column_text, read_correction
from reportlib.captures.headers import Headers, check_headers, is_text_session, read_headers
from reportlib.captures.recordings import (
    open_blocks,
    read_capture,
    read_header,
    read_period,
    read_stimulus,
)

__all__ = [
    "Headers",
    "check_headers",
    "is_text_session",
    "open_blocks",
    "read_capture",
    "read_column_text",
    "read_correction",
    "read_full_scale_db",
    "read_header",
    "read_headers",
    "read_period",
    "read_stimulus",
]
