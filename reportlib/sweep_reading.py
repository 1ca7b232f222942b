"""Reading one sweep recording of a session: judged, deconvolved, told from the shelf."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from reportlib import captures, clock, quality
from reportlib.day import Session, SweepFacts
from reportlib.deconvolution import Deconvolved, deconvolve
from reportlib.errors import AnalysisError, CaptureError, SessionError
from reportlib.levels import grid_hz
from reportlib.model import FloatArray, QualityNote
from reportlib.one_line import one_line
from reportlib.shelf import Shelf, record
from reportlib.stimulus import SweepLaw, find_sweep


@dataclass(frozen=True, eq=False, kw_only=True)
class Heard:
    """What came of one file: without a trace where it was refused.

    Attributes
    ----------
    tail_s : see `model.Response`
    ppm : how much too fast its clock ran, which is taken off
    deconvolved : None where it was refused, and where the rest comes from the shelf
    key : that it is kept under, None where nothing made of it may be kept
    """

    source: str
    notes: tuple[QualityNote, ...]
    tail_s: float = 0.0
    ppm: float = 0.0
    trace: quality.Trace | None = None
    deconvolved: Deconvolved | None = None
    key: str | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Reader:
    """Reads and deconvolves one capture of a session at a time; safe to share by threads."""

    session: Session
    law: SweepLaw
    sample_rate_hz: int
    grid_hz: FloatArray
    fraction: int
    stimulus: FloatArray | None
    two: clock.TwoSweeps | None
    shelf: Shelf
    faults: Mapping[str, CaptureError]

    def read(self, path: str, *, ppm: float = 0.0) -> Heard:
        """Read a capture; nothing is kept of it."""
        try:
            capture = captures.read_capture(self.session, path)
            notes = quality.once_read(capture, law=self.law)
            if any(note.severity == "refused" for note in notes):
                return Heard(source=path, notes=tuple(notes))
            if ppm:
                capture = replace(capture, microphone=clock.resampled(capture.microphone, ppm=ppm))
            drift = None
            if self.two is not None:
                first, drift = clock.first_of_two(capture.microphone, two=self.two, source=path)
                capture = replace(capture, microphone=first)
        except CaptureError as error:
            return Heard(source=path, notes=(quality.refused(path, error),))
        try:
            one = deconvolve(
                capture,
                law=self.law,
                frequency_hz=self.grid_hz,
                fraction=self.fraction,
                stimulus=self.stimulus,
            )
        except CaptureError as error:
            whole = self.stimulus is None and quality.holds_drive(capture, law=self.law)
            return Heard(source=path, notes=(quality.refused(path, error, whole_drive=whole),))
        if drift is not None:
            one = replace(one, own_clock_ppm=np.array([drift.ppm, drift.u_ppm]))
        alone = self.stimulus is not None
        starts_s = one.sweep_start_s if alone else quality.drive_start_s(one)
        trace = quality.listen(capture, law=self.law, sweep_start_s=starts_s)
        notes += quality.once_deconvolved(
            one,
            trace=trace,
            law=self.law,
            stimulus=alone,
            clipped=capture.clipped_samples > 0,
        )
        return Heard(
            source=path,
            notes=tuple(notes),
            tail_s=one.tail_s,
            ppm=ppm,
            trace=trace,
            deconvolved=one,
            key=self._key(path, ppm=ppm) if self.shelf.unchanged(path) else None,
        )

    def recall(self, path: str, *, ppm: float = 0.0) -> Heard:
        """Take what is told of a capture from the shelf, or read it and put that there."""
        if path in self.faults:
            return Heard(source=path, notes=(quality.refused(path, self.faults[path]),))
        key = self._key(path, ppm=ppm)

        def as_kept(*, notes: Any, tail_s: float, **trace: Any) -> Heard:
            return Heard(
                source=path,
                notes=tuple(record(QualityNote, note) for note in notes),
                tail_s=float(tail_s),
                ppm=ppm,
                trace=record(quality.Trace, trace),
                key=key,
            )

        kept = self.shelf.load(key, make=as_kept)
        if kept is not None:
            return kept
        made = self.read(path, ppm=ppm)
        if made.trace is not None:
            about = {"notes": made.notes, "tail_s": made.tail_s}
            self.shelf.keep(made.key, {**vars(made.trace), **about})
        return made

    def deconvolved(self, one: Heard) -> Deconvolved:
        """Return the impulse response of what was read, or was told by the shelf."""
        if one.deconvolved is not None:
            return one.deconvolved
        again = self.read(one.source, ppm=one.ppm)
        if again.deconvolved is None or again.key != one.key:
            raise CaptureError(f"{one.source} changed while the session was read; run it again.")
        return again.deconvolved

    def _key(self, path: str, *, ppm: float) -> str | None:
        played = self.session.sweep.stimulus if self.session.sweep else None
        return self.shelf.key(
            path,
            *([] if played is None else [played]),
            enters={
                "sweep": asdict(self.law),
                "channels": asdict(self.session.channels),
                "nothing_played": path in self.session.noise_captures,
                "sample_rate_hz": self.sample_rate_hz,
                "fraction": self.fraction,
                "ppm": ppm,
            },
        )


def sweep_law(session: Session) -> SweepLaw:
    """Return the law of the session's sweep."""
    facts = _sweep_facts(session)
    return SweepLaw(start_hz=facts.start_hz, stop_hz=facts.stop_hz, duration_s=facts.duration_s)


def reader_of(session: Session, *, fraction: int, keep: bool) -> Reader:
    """Return the reader of a session's sweeps, whose headers and stimulus it reads.

    Parameters
    ----------
    fraction : smoothing, as the n of 1/n octave
    keep : whether what is read may be kept for the next run

    Raises
    ------
    CaptureError, SessionError, AnalysisError
        A header or the stimulus cannot be read, or does not fit ``session.toml``.
    """
    facts, law = _sweep_facts(session), sweep_law(session)
    headers = captures.read_headers(session)
    rate = headers.sample_rate_hz
    if facts.stop_hz > 0.5 * rate:
        raise SessionError(
            f"{_facts_file(session)}: [sweep] stop_hz = {facts.stop_hz:g} lies above half the "
            f"captures' sample rate ({rate} Hz). Correct stop_hz."
        )
    stimulus, two = None, None
    if session.channels.reference is None:
        if facts.stimulus is None:
            raise SessionError(
                f"{_facts_file(session)}: no reference channel was recorded and [sweep] names no "
                "stimulus. Add stimulus, the file that was played."
            )
        stimulus = captures.read_stimulus(session, facts.stimulus, sample_rate_hz=rate)
        source = one_line(f"{session.folder}/{facts.stimulus}")
        two = clock.two_sweeps(stimulus, law=law, sample_rate_hz=rate, source=source)
        if two is not None:
            stimulus = two.played
        else:
            find_sweep(stimulus, law=law, sample_rate_hz=rate, source=source)
    return Reader(
        session=session,
        law=law,
        sample_rate_hz=rate,
        grid_hz=grid_hz(start_hz=facts.start_hz, stop_hz=facts.stop_hz),
        fraction=fraction,
        stimulus=stimulus,
        two=two,
        shelf=Shelf(session, write=keep),
        faults=headers.faults,
    )


def _sweep_facts(session: Session) -> SweepFacts:
    if session.sweep is None:
        raise AnalysisError(
            f"{_facts_file(session)}: there is no [sweep]; audio captures need start_hz, stop_hz "
            "and duration_s of the sweep that was played."
        )
    return session.sweep


def _facts_file(session: Session) -> str:
    return one_line(f"{session.folder}/session.toml")
