"""All checks, at the four places of the analysis where they can be made."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from reportlib.compression import Setting, ShortTerm
from reportlib.day import Session
from reportlib.deconvolution import Deconvolved
from reportlib.model import Capture, QualityNote, Response
from reportlib.quality.chain import gain_notes, overload_notes
from reportlib.quality.ladder import knob_notes, order_notes, placed
from reportlib.quality.over_the_day import lost_notes, moved_notes, outcome_notes, temperature_notes
from reportlib.quality.recordings import (
    capture_notes,
    cut_notes,
    hum_notes,
    late_notes,
    noise_notes,
    offset_notes,
    signal_notes,
    tops_notes,
)
from reportlib.quality.setup import level_notes, step_notes
from reportlib.quality.takes import local_notes, take_notes
from reportlib.quality.trace import Trace
from reportlib.stimulus import SweepLaw


def once_read(capture: Capture, *, law: SweepLaw) -> list[QualityNote]:
    """Check a recording before anything is made of it."""
    return [
        *capture_notes(capture),
        *offset_notes(capture.source, offset=capture.dc_offset),
        *cut_notes(capture, law=law),
    ]


def once_deconvolved(
    one: Deconvolved, *, trace: Trace, law: SweepLaw, stimulus: bool, clipped: bool
) -> list[QualityNote]:
    """Check a recording whose sweep was found; `stimulus`: the drive is the file played."""
    return [
        *late_notes(one, law=law, stimulus=stimulus),
        *tops_notes(trace, clipped=clipped),
    ]


def before_comparing(session: Session, responses: Mapping[str, Response]) -> list[QualityNote]:
    """Check that the captures stand where session.toml lists them: refusals only."""
    lost = lost_notes(session, responses)
    refused = {note.capture for note in lost}
    captures = [one for one in placed(session, responses) if one.source not in refused]
    placing = knob_notes(captures, session=session) or order_notes(captures, session=session)
    return [*lost, *placing]


def after_comparing(
    session: Session,
    *,
    short: ShortTerm,
    settings: Sequence[Setting],
    again: Sequence[Setting],
    responses: Mapping[str, Response],
    traces: Mapping[str, Trace],
    law: SweepLaw,
    gate_s: float,
    full_scale_db: float | None,
    sample_rate_hz: int,
) -> list[QualityNote]:
    """Check what the levels say about each other.

    Parameters
    ----------
    session : as it remains after refusals
    settings : the baseline and the levels of `short.curves`, in order
    again : the baseline once more
    responses, traces : by capture path, of all that remains
    """
    kept = [trace for path, trace in traces.items() if path in responses]
    lowest_hz = 2.0 / gate_s
    clipped_or_flat = {trace.source for trace in kept if tops_notes(trace, clipped=False)}
    takes: list[QualityNote] = []
    for setting in (*settings, *again):
        whole = take_notes(setting, low_hz=200.0, high_hz=5000.0)
        local = local_notes(
            setting,
            traces=traces,
            law=law,
            gate_s=gate_s,
            lowest_hz=lowest_hz,
            apart_as_a_whole=bool(whole),
        )
        burst = next((note.capture for note in local if note.code == "noise-burst"), None)
        takes += [replace(note, capture=burst or note.capture) for note in whole]
        takes += local
    # A loud disturbance can pass for the sound's arrival.
    disturbed = {note.capture for note in takes if note.code == "noise-burst"}
    return [
        *level_notes(short.baseline),
        *step_notes(short.steps, sources=[setting.takes[0].source for setting in settings[1:]]),
        *takes,
        *signal_notes(
            short.baseline,
            lowest_hz=lowest_hz,
            sweep_range_hz=(law.start_hz, law.stop_hz),
            source=settings[0].takes[0].source,
        ),
        *hum_notes(kept, baseline=short.baseline, full_scale_db=full_scale_db),
        *noise_notes(tuple(responses.values())),
        *(
            note
            for note in overload_notes(
                short, settings=settings, traces=traces, sample_rate_hz=sample_rate_hz
            )
            if note.capture not in clipped_or_flat
        ),
        *gain_notes(
            short,
            settings=settings,
            traces=traces,
            reference_counts=session.reference_counts,
        ),
        *(note for note in moved_notes(session, responses) if note.capture not in disturbed),
        *temperature_notes(session),
        *outcome_notes(short, again=bool(session.baseline_again)),
    ]
