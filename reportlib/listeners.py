"""All that one session says about its listeners: at the seats, and in the room of the test."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from reportlib.day import Session, Space
from reportlib.exposure import Basis, day_dose, exposures, programme_dba
from reportlib.judged import DayDose, Exposure, NeedAnswer, SeatBand
from reportlib.levels import pink_weighted_db
from reportlib.listening import (
    GivenLevel,
    Seat,
    all_seats,
    arrivals,
    given_levels,
    is_calibrated,
    seat_bands,
    seat_levels,
    span,
    starts_at,
)
from reportlib.model import BandResult, BaselineCurve, ChangeCurve, DriveStep, SeatLevel
from reportlib.need import NEEDS, abilities, answer_need
from reportlib.parameters import ReportParameters
from reportlib.soaked import Playing


@dataclass(frozen=True, kw_only=True)
class Listeners:
    """Fields as in `model.Analysis`; the reader's own seat comes first everywhere."""

    in_room: tuple[SeatLevel, ...]
    seat_bands: tuple[SeatBand, ...]
    needs: tuple[NeedAnswer, ...]
    exposure: tuple[Exposure, ...]
    day_dose: DayDose | None


def listeners(
    session: Session,
    *,
    baseline: BaselineCurve,
    curves: Sequence[ChangeCurve],
    steps: Sequence[DriveStep],
    bands: Sequence[BandResult],
    parameters: ReportParameters,
    playing: Sequence[Playing] = (),
) -> Listeners:
    """Carry the levels to every seat, answer every need there, and say what ears may take.

    Parameters
    ----------
    curves, steps : of the short-term test
    bands : of both tests
    playing : the long-term levels whose stress was recorded
    """
    space = session.rig.space
    levels = given_levels(baseline, curves=curves, steps=steps, space=space)
    seats = all_seats(parameters)
    start_db = starts_at(baseline, space=space)
    peaks, average = (
        abilities(
            bands, test=test, session=session, start_db=start_db, steps=steps, playing=playing
        )
        for test in ("short_term", "long_term")
    )
    basis: Basis = "calibrated" if is_calibrated(baseline, space=space) else "assumed"
    return Listeners(
        in_room=seat_levels(levels, seats=seats, space=space),
        seat_bands=seat_bands(
            seats[0], level=levels[-1], bands=bands, baseline=baseline, space=space
        ),
        needs=tuple(
            answer_need(need, seat=seat, space=space, peaks=peaks, average=average)
            for seat in seats
            for need in NEEDS
        ),
        exposure=(*_at_seats(seats, levels=levels, space=space, basis=basis), *_of_needs(basis)),
        day_dose=day_dose(session, start_db=start_db, basis=basis),
    )


def _at_seats(
    seats: Sequence[Seat], *, levels: Sequence[GivenLevel], space: Space, basis: Basis
) -> Iterator[Exposure]:
    """Every level at the reader's seat, the loudest at the others: the high end of the range."""
    for seat in seats:
        highest = span(arrivals(seat, space=space))[1]
        for level in levels if seat is seats[0] else levels[-1:]:
            yield from exposures(
                programme_dba(level.given_db + highest),
                basis=basis,
                heard=seat.setup,
                asked_db=level.asked_db,
            )


def _of_needs(basis: Basis) -> Iterator[Exposure]:
    """What is needed at a seat is there by assumption, however it is made."""
    for need in NEEDS:
        level_db = need.average_db - pink_weighted_db(need.weighting)
        yield from exposures(programme_dba(level_db), basis=basis, heard=need.name)
