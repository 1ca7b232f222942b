"""The day's stress recordings, read tone by tone; what cannot be used is left out and said so."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from reportlib import captures, quality
from reportlib.captures.channel_map import Role
from reportlib.clock import multitone_drift
from reportlib.day import Session
from reportlib.errors import CaptureError
from reportlib.model import FloatArray, QualityNote
from reportlib.shelf import Shelf, record
from reportlib.soak.periods import StressTones, stress_tones
from reportlib.soak.reading import ClocksDifferError
from reportlib.soak.start import first_periods
from reportlib.soak.tones import Played, played_tones

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
        refusal = quality.refused(stimulus, error)
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
                notes.append(quality.refused(path, error))
                continue
            if found is not None and shelf.unchanged(path):
                shelf.keep(key, found)
        about = quality.stress_notes(found, source=path, stress_s=stress_s)
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
