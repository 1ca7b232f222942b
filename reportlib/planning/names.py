"""What files of a day are called: one spelling, for the plan, the folder and the intake."""

SWEEP, MULTITONE = "stimulus/sweep.wav", "stimulus/multitone.wav"
CALIBRATOR = "calibration/calibrator.wav"
RECORDINGS = "recordings"
TAKES = "abcdefghijklmnopqrstuvwxyz"


def sweep_file(level_db: float) -> str:
    """Return the file that plays a sweep at a level.

    >>> sweep_file(72.0), sweep_file(82.5)
    ('stimulus/levels/sweep-72.wav', 'stimulus/levels/sweep-82.5.wav')
    """
    return f"stimulus/levels/sweep-{level_db:g}.wav"


def stress_file(level_db: float) -> str:
    """Return the file that plays all stages of a long-term level."""
    return f"stimulus/levels/stress-{level_db:g}.wav"


def captures(stem: str, *, takes: int) -> tuple[str, ...]:
    """Return the captures of some takes of one kind.

    >>> captures("short-72", takes=2)
    ('captures/short-72-a.wav', 'captures/short-72-b.wav')
    """
    return tuple(f"captures/{stem}-{letter}.wav" for letter in TAKES[:takes])


def stress_capture(level_db: float, *, stage: int) -> str:
    """Return the capture of a stage's multitone, stages counted from 1."""
    return f"captures/long-{level_db:g}-stress-{stage}.wav"


def after_capture(level_db: float, *, stage: int) -> str:
    """Return the capture of the sweep after a stage."""
    return f"captures/long-{level_db:g}-after-{stage}.wav"


def recording(capture: str) -> str:
    """Return what a recorder should call a capture.

    >>> recording("captures/short-72-a.wav")
    'short-72-a.wav'
    """
    return capture.rpartition("/")[2]
