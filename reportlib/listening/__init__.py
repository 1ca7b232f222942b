"""What arrives at a listener: seats and rooms, and two ways to carry a level there."""

from reportlib.listening.arriving import (
    ROOM_METHOD,
    TRADE_METHOD,
    Arrival,
    arrivals,
    seat_bands,
    seat_levels,
    span,
    trade_sum_db,
)
from reportlib.listening.given import GivenLevel, given_levels, is_calibrated, starts_at
from reportlib.listening.seats import SEATS, Seat, all_seats, reader_seat

__all__ = [
    "ROOM_METHOD",
    "SEATS",
    "TRADE_METHOD",
    "Arrival",
    "GivenLevel",
    "Seat",
    "all_seats",
    "arrivals",
    "given_levels",
    "is_calibrated",
    "reader_seat",
    "seat_bands",
    "seat_levels",
    "span",
    "starts_at",
    "trade_sum_db",
]
