"""A small but whole session folder for tests: every file that its text names, tiny audio."""

import tomllib
import zlib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from reportlib.errors import ReportError, SessionError
from reportlib.session.reading import read_session

MINIMAL = """\
format = 1

[speaker]
name = "Marram 12"
drive = "passive"

[rig]
distance_m = 1.0
space = "free field"

[sweep]
stimulus = "stimulus/sweep.wav"
start_hz = 20.0
stop_hz = 20000.0
duration_s = 4.0

[[short_term]]
level_db = 72.0
drive_db = 0.0
captures = ["captures/short-72.wav"]

[[short_term]]
level_db = 78.0
drive_db = 6.0
captures = ["captures/short-78.wav"]
"""

# The example of the session format, word for word, with the optional keys that it names in
# comments filled in (apart from full_scale_db, which excludes a calibrator's recording) and a
# second level and stage.
FULL = """\
format = 1
date = 2026-05-04              # optional
notes = ""                     # optional, printed with how it was measured

[speaker]
name = "Marram 12"             # required
drive = "passive"              # required: "passive" (fed by an amplifier) or "active" (has its own)
use = "living room"            # optional: "desk", "living room", "home cinema", "stage"
crossovers_hz = [450.0, 3200.0]   # optional
enclosure = "vented"           # optional: "closed", "vented", "passive radiator" or "open"
tuning_hz = [38, 41.5]         # optional, an error unless vented or passive radiator
serial = "0007"
settings = "grille off"
rated_impedance_ohm = 8
rated_power_w = 120
maximum_level_db = 108
sensitivity_db = 87.5

[rig]
distance_m = 1.0               # required: microphone to loudspeaker
space = "free field"           # required
gate_ms = 6.0                  # required when space is "gated", optional otherwise
reference_at = "terminals"     # required with a reference channel: "terminals" or "loop-back"
volume_at = "before reference" # default
temperature_c = 21.5           # optional, with humidity_percent and pressure_kpa
humidity_percent = 45
pressure_kpa = 101.3
equipment = ["measuring microphone, class 1"]   # optional, printed
microphone_correction = "calibration/mic.txt"   # optional: column text
drive_tolerance_db = 0.1       # default

[channels]                     # optional, counted from 1
microphone = 1                 # default 1
reference = 2                  # optional: the electrical drive
voltage = 3                    # optional: terminal voltage
current = 4                    # optional: terminal current

[calibration]
recording = "calibration/calibrator.wav"   # a recording of an acoustic calibrator
level_db = 94.0                # its level, dB SPL
frequency_hz = 1000.0
voltage_full_scale_v = 40.0
current_full_scale_a = 10.0

[sweep]                        # required where a capture is audio
stimulus = "stimulus/sweep.wav"   # required unless a reference channel was recorded
start_hz = 20.0
stop_hz = 20000.0
duration_s = 4.0               # of the exponential sweep itself

[multitone]                    # required where a stress recording is given
stimulus = "stimulus/multitone.wav"   # one whole period, to be repeated
crest_factor_db = 12.0

[text]                         # optional, for column-text captures
gate_ms = 6.0
smoothing_octaves = 0.1
snr_db = 40.0

[noise]                        # optional
captures = ["captures/silence.wav"]   # the room and the rig, nothing played

[[short_term]]                 # one entry a level, the baseline first
level_db = 72.0                # asked for
drive_db = 0.0                 # how far the volume was raised from the baseline
captures = ["captures/short-72-a.wav", "captures/short-72-b.wav"]   # one or more takes
at = 10:32:00                  # optional, like temperature_c and input_gain_db
temperature_c = 21.5
input_gain_db = 0.0

[[short_term]]
level_db = 78.0
drive_db = 6.0
captures = ["captures/short-78-a.flac"]
input_gain_db = -6.0

[[baseline_again]]             # optional, advised
captures = ["captures/again-72.wav"]
at = 11:02:30.5

[[long_term]]                  # one entry a level, levels differ
level_db = 92.0                # of the multitone
drive_db = 20.0                # rms of the multitone's drive over that of the baseline sweep
sweep_drive_db = 18.0          # default drive_db: the drive of before and after
before = ["captures/long-92-before.wav"]

  [[long_term.stage]]          # in time order
  stress = "captures/long-92-stress-1.wav"   # optional: the microphone while the multitone plays
  stress_s = 90.0              # how long it played
  pause_s = 2.0                # from the multitone's end to the start of the sweep itself
  pause_u_s = 0.25             # default: its standard uncertainty
  rest_s = 8.0                 # optional
  after = ["captures/long-92-after-1.wav"]

  [[long_term.stage]]
  stress_s = 30
  pause_s = [2.0, 8]
  after = ["captures/long-92-after-2a.wav", "captures/long-92-after-2b.wav"]
"""

LONG_TERM = """
[multitone]
stimulus = "stimulus/multitone.wav"
crest_factor_db = 12.0

[[long_term]]
level_db = 92.0
drive_db = 20.0
before = ["captures/before.wav"]

[[long_term.stage]]
stress_s = 90.0
pause_s = 2.0
after = ["captures/after.wav"]
"""


def write_session(folder: Path, text: str = MINIMAL, *, channels: int = 4) -> Path:
    """Write `text` as session.toml and a tiny file for every one that it names; return `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_bytes(text.encode("utf-8"))
    for path in _paths(tomllib.loads(text)):
        write_named(folder / path, channels=channels)
    return folder


def write_named(path: Path, *, channels: int = 4, frames: int = 64, rate_hz: int = 48000) -> None:
    """Write a file of noise of its own, by its name's ending."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix in (".wav", ".flac"):
        rng = np.random.default_rng(zlib.crc32(path.name.encode()))
        samples = 0.1 * rng.standard_normal((frames, channels))
        soundfile.write(path, samples, rate_hz, subtype="PCM_24")
    else:
        path.write_text(f"# {path.name}\n100 0.1\n1000 0.0\n")


def _paths(value: object) -> list[str]:
    if isinstance(value, dict):
        return [
            path for key, item in value.items() for path in _paths(item) if not key.startswith("x_")
        ]
    if isinstance(value, list):
        return [path for item in value for path in _paths(item)]
    endings = (".wav", ".flac", ".txt", ".csv")
    return [value] if isinstance(value, str) and value.endswith(endings) else []


def changed(old: str, new: str, *, text: str = MINIMAL) -> str:
    """Return `text` with the first `old`, which has to be there, made `new`."""
    assert old in text, old
    return text.replace(old, new, 1)


def said(folder: Path, text: str | None = None, *, error: type = SessionError) -> str:
    """Return the one line about a folder (with `text` as session.toml), from its name on."""
    if text is not None:
        (folder / "session.toml").write_bytes(text.encode("utf-8"))
    with pytest.raises(ReportError) as caught:
        read_session(folder)
    assert type(caught.value) is error
    line = str(caught.value)
    assert line.splitlines() == [line]
    assert line.startswith(f"{folder}/session.toml")
    return line.removeprefix(f"{folder}/")
