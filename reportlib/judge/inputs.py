"""What enters the analysis beside sweeps: calibration, the microphone's correction, the stress.

Samples are tied to dB SPL by a recording of an acoustic calibrator, or by a typed-in full scale.
Stress recordings that cannot be used are left out and said so.
"""

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from reportlib.check import day, setup
from reportlib.check.setup import correction_notes
from reportlib.errors import AnalysisError, CaptureError, SessionError, one_line
from reportlib.judge.shelf import Shelf, record
from reportlib.measure.clock_within import Drift, multitone_drift
from reportlib.measure.levels import tone_amplitude
from reportlib.measure.response import BEFORE_HARMONIC, RISE_S
from reportlib.measure.stress.multitone import first_periods
from reportlib.measure.stress.periods import ClocksDifferError, StressTones, stress_tones
from reportlib.measure.stress.tones import Played, played_tones
from reportlib.measure.sweep import SweepLaw
from reportlib.measure.text import microphone_db
from reportlib.session import captures
from reportlib.session import columns as session_columns
from reportlib.session.audio import Role, file_fault
from reportlib.session.captures import read_capture
from reportlib.session.day import SPACES_WITH_1_M_LEVELS, Session, SweepFacts
from reportlib.session.records import FloatArray, QualityNote


def sweep_facts(session: Session) -> SweepFacts:
    """Return what the session says of its sweep, which audio cannot do without."""
    if session.sweep is None:
        raise AnalysisError(
            f"{facts_file(session)}: there is no [sweep]; audio captures need start_hz, stop_hz "
            "and duration_s of the sweep that was played."
        )
    return session.sweep


def sweep_law(session: Session) -> SweepLaw:
    """Return the law of the session's sweep."""
    facts = sweep_facts(session)
    law = SweepLaw(start_hz=facts.start_hz, stop_hz=facts.stop_hz, duration_s=1.0)
    if facts.duration_s:
        return replace(law, duration_s=facts.duration_s)
    # of impulse responses: so short that a gate rises over 2 ms, and none over more
    return replace(law, duration_s=RISE_S / (BEFORE_HARMONIC * law.lead_s(2)))


def headers(session: Session) -> tuple[int, dict[str, CaptureError]]:
    """Return the sample rate of the session's recordings, and what is wrong with any, by path.

    Raises
    ------
    CaptureError, SessionError
        As `captures.read_headers`; the sweep goes beyond half the sample rate.
    """
    found, stop_hz = captures.read_headers(session), sweep_facts(session).stop_hz
    rate = found.sample_rate_hz
    if stop_hz > 0.5 * rate:
        raise SessionError(
            f"{facts_file(session)}: [sweep] stop_hz = {stop_hz:g} lies above half the "
            f"captures' sample rate ({rate} Hz). Correct stop_hz."
        )
    return rate, dict(found.faults)


def facts_file(session: Session) -> str:
    """Return how messages call the session's file of facts."""
    return one_line(f"{session.folder}/session.toml")


def microphone_on_grid(
    session: Session, *, grid: FloatArray
) -> tuple[FloatArray | None, list[QualityNote]]:
    """Return by how much the microphone reads too high on the grid, and what to know about it.

    Parameters
    ----------
    grid : shape (n,), Hz

    Returns
    -------
    shape (n,), dB, None where the session names no correction; notes
    """
    correction = session_columns.read_correction(session)
    if correction is None:
        return None, []
    calibration = session.calibration
    by_recording = calibration is not None and calibration.recording is not None
    found = microphone_db(
        correction,
        frequency_hz=grid,
        calibrated_at_hz=calibration.frequency_hz if calibration and by_recording else None,
    )
    return found, correction_notes(correction, frequency_hz=grid)


def full_scale_db(session: Session) -> float | None:
    """Return the level of a full-scale sine, referred to 1 m where the space allows.

    Returns
    -------
    dB SPL (rms), None where nothing was calibrated
    """
    level = read_full_scale_db(session)
    if level is not None and session.rig.space in SPACES_WITH_1_M_LEVELS:
        level += 20.0 * math.log10(session.rig.distance_m)
    return level


_SHORTEST_S = 0.25
_PIECES = 5
_STEADY_DB = 0.3  # common practice, no source: a calibrator that sits well moves by less
_LEAST_SHARE = 0.5


def read_full_scale_db(session: Session) -> float | None:
    """Return the level of a sine that just reaches full scale, dB SPL (rms) at the microphone.

    From the calibrator's recording (the amplitude of its tone against its level) or as typed
    in; None where nothing was calibrated.

    Raises
    ------
    CaptureError
        The recording holds no steady tone of the calibrator's frequency, is too short or
        clipped, or cannot be read.
    """
    calibration = session.calibration
    if calibration is None or calibration.recording is None:
        return None if calibration is None else calibration.full_scale_db
    tone = read_capture(session, calibration.recording)
    asked_hz, asked_db = calibration.frequency_hz or 1000.0, calibration.level_db or 94.0
    full = Path(session.folder) / calibration.recording
    seconds = tone.microphone.size / tone.sample_rate_hz
    if seconds < _SHORTEST_S or asked_hz > 0.45 * tone.sample_rate_hz:
        text = (
            f"{seconds:.2f} s at {tone.sample_rate_hz} Hz, expected {_SHORTEST_S:g} s or more of a "
            f"{asked_hz:g} Hz tone. Record the calibrator again."
        )
        raise file_fault(full, text=text)
    if tone.clipped_samples:
        text = "the calibrator's tone is clipped. Lower the input gain and measure this day again."
        raise file_fault(full, text=text)
    common = {"sample_rate_hz": tone.sample_rate_hz, "frequency_hz": asked_hz}
    amplitude, share = tone_amplitude(tone.microphone, **common)
    if share < _LEAST_SHARE:
        text = (
            f"it holds no steady {asked_hz:g} Hz tone. Record the calibrator again, or correct "
            "frequency_hz in [calibration] of session.toml."
        )
        raise file_fault(full, text=text)
    parts = np.array_split(tone.microphone, _PIECES)
    levels = [20.0 * math.log10(tone_amplitude(part, **common)[0] + 1e-30) for part in parts]
    if max(levels) - min(levels) > _STEADY_DB:
        text = (
            f"its tone moves by {max(levels) - min(levels):.1f} dB, expected a steady one. Cut the "
            "recording to where the calibrator sits still, or record it again."
        )
        raise file_fault(full, text=text)
    return asked_db - 20.0 * math.log10(amplitude)


_DRIFT_PERIODS = 40
"""Periods that a clock is read from: then it is known to some 0.01 ppm (simulated)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Stress:
    """What the day's stress recordings hold.

    Attributes
    ----------
    tones : by path, of the recordings that can be used
    notes : what was found while reading them
    """

    tones: Mapping[str, StressTones]
    notes: tuple[QualityNote, ...]


def stress_recordings(session: Session) -> list[tuple[str, float]]:
    """List a session's stress recordings: path, and for how many seconds the stress played."""
    return [
        (stage.stress, stage.stress_s)
        for level in session.long_term
        for stage in level.stages
        if stage.stress is not None
    ]


def read_stress(session: Session, *, sample_rate_hz: int, shelf: Shelf) -> Stress:
    """Read every stress recording of the day; one that cannot be used does not end the day.

    One after the other, in blocks: memory does not grow with their length.

    Parameters
    ----------
    shelf : that a recording as read is taken from, or put on
    """
    stages = stress_recordings(session)
    if session.multitone is None or not stages:
        return Stress(tones={}, notes=())
    stimulus = session.multitone.stimulus
    try:
        period = captures.read_period(session, stimulus, sample_rate_hz=sample_rate_hz)
        played = played_tones(period, sample_rate_hz=sample_rate_hz, source=stimulus)
    except CaptureError as error:
        refusal = day.refused(stimulus, error)
        return Stress(tones={}, notes=(refusal,))
    tones: dict[str, StressTones] = {}
    notes: list[QualityNote] = []
    reader = _Reader(session=session, period=period, played=played)
    for path, stress_s in stages:
        enters = {
            "channels": asdict(session.channels),
            "stress_s": stress_s,
            "sample_rate_hz": sample_rate_hz,
            "ohm": _ohm(session),
        }
        key = shelf.key(path, stimulus, enters=enters)
        found = shelf.load(key, make=_as_kept)
        if found is None:
            try:
                found = reader.read(path, stress_s=stress_s)
            except CaptureError as error:
                notes.append(day.refused(path, error))
                continue
            if found is not None and shelf.unchanged(path):
                shelf.keep(key, found)
        about = setup.stress_notes(found, source=path, stress_s=stress_s)
        notes += about
        if found is not None and not any(note.severity == "refused" for note in about):
            tones[path] = found
    return Stress(tones=tones, notes=tuple(notes))


def _as_kept(**values: Any) -> StressTones:
    tones = record(StressTones, values)
    arrays = [getattr(tones, one.name) for one in fields(tones) if one.type is FloatArray]
    if tones.period_s <= 0.0 or not all(np.all(np.isfinite(one)) for one in arrays):
        raise ValueError("no tones")
    return tones


def _ohm(session: Session) -> float | None:
    """Volts over amperes of full-scale samples; None where not both were recorded and scaled."""
    channels, calibration = session.channels, session.calibration
    if channels.voltage is None or channels.current is None or calibration is None:
        return None
    volt, ampere = calibration.voltage_full_scale_v, calibration.current_full_scale_a
    return None if volt is None or ampere is None else volt / ampere


@dataclass(frozen=True, eq=False, kw_only=True)
class _Reader:
    session: Session
    period: FloatArray
    played: Played

    def read(self, path: str, *, stress_s: float) -> StressTones | None:
        roles: list[Role] = ["microphone"]
        referenced = self.session.channels.reference is not None
        if referenced:
            roles.append("reference")
        ohm = _ohm(self.session)
        if ohm is not None:
            roles += ["voltage", "current"]
        full_scale = captures.read_header(self.session, path).full_scale

        def tones(drift_ppm: float) -> StressTones | None:
            return stress_tones(
                captures.open_blocks(self.session, path, roles=roles),
                played=self.played,
                stress_s=stress_s,
                source=path,
                drift_ppm=drift_ppm,
                full_scale=full_scale,
                ohm=ohm,
            )

        if referenced:
            try:
                return tones(0.0)
            except ClocksDifferError:  # a player with a clock of its own
                return tones(self._drift_ppm(path, role="reference"))
        return tones(self._drift_ppm(path, role="microphone"))

    def _drift_ppm(self, path: str, *, role: Role) -> float:
        """How much too fast the recorder's clock ran; 0 where that can't be told.

        A drift that is not known leaks between the tones, where it is seen as noise and counted.
        """
        blocks = captures.open_blocks(self.session, path, roles=(role,))
        heard = first_periods(blocks, played=self.played, count=_DRIFT_PERIODS)
        found = multitone_drift(heard, period=self.period)
        return 0.0 if found is None else found.ppm


def sweep_captures(session: Session) -> tuple[str, ...]:
    """List the paths of all sweep recordings of a session, the baseline's first."""
    entries: list[Sequence[str]] = [entry.captures for entry in session.short_term]
    entries += [entry.captures for entry in session.baseline_again]
    for level in session.long_term:
        entries += [level.before, *(stage.after for stage in level.stages)]
    return tuple(path for paths in entries for path in paths)


def stress_drift(
    session: Session, *, sample_rate_hz: int, faults: Container[str]
) -> tuple[str, Drift | None]:
    """Path of the day's first stress recording and the drift of its clock, where it tells one."""
    paths = [path for path, _ in stress_recordings(session) if path not in faults]
    if not paths or session.multitone is None:
        return "", None
    period = captures.read_stimulus(
        session, session.multitone.stimulus, sample_rate_hz=sample_rate_hz
    )
    blocks = captures.open_blocks(session, paths[0])
    return paths[0], multitone_drift(blocks, period=period)
