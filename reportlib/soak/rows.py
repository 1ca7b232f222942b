"""The stress while it plays as rows of ``compression.csv`` (session format)."""

from collections.abc import Iterable, Iterator
from typing import get_args

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.model import Budget, ChangeCurve, Reason
from reportlib.soaked import Playing


def multitone_curves(playing: Iterable[Playing]) -> tuple[ChangeCurve, ...]:
    """Return the tones' changes at the moments that the session format names.

    The first period centre at or after 2, 5, 10, 20, 30, 60 s, 2, 5, 10, 20, 30, 60 min … of
    stress, under its own time; and the last period of each stage under the stage's end, where the
    recording holds it. A stage's first period stands for no moment: it rings in.
    """
    return tuple(
        _curve(one, period=period, elapsed_s=elapsed_s)
        for one in playing
        for elapsed_s, period in sorted(_moments(one).items())
    )


def _moments(playing: Playing) -> dict[float, int]:
    """Periods that get rows, by the seconds of stress that these are given under."""
    found: dict[float, int] = {}
    settled = np.flatnonzero(playing.settled)
    if settled.size == 0:
        return found
    times = playing.elapsed_s[settled]
    for wanted_s in _wanted_s(float(times[-1])):
        period = int(settled[np.searchsorted(times, wanted_s)])
        found[float(playing.elapsed_s[period])] = period
    for index, span in enumerate(playing.stages):
        own = settled[playing.stage[settled] == index]
        if own.size and span.elapsed_s - playing.elapsed_s[own[-1]] < 1.5 * playing.period_s:
            found[span.elapsed_s] = int(own[-1])
    return found


def _wanted_s(last_s: float) -> Iterator[float]:
    """2, 5, 10, 20, 30 s, then as many minutes, then hours, up to `last_s`; 60 s is 1 min."""
    unit_s = 1.0
    while True:
        for count in (1.0, 2.0, 5.0, 10.0, 20.0, 30.0):
            wanted_s = count * unit_s
            if wanted_s > last_s:
                return
            if wanted_s >= 2.0:
                yield wanted_s
        unit_s *= 60.0


def _curve(playing: Playing, *, period: int, elapsed_s: float) -> ChangeCurve:
    u95 = playing.u95_db[period]
    usable = playing.usable[period]
    nothing = np.zeros(u95.size)
    return ChangeCurve(
        test="long_term",
        level_db=playing.level_db,
        elapsed_s=elapsed_s,
        takes=1,
        frequency_hz=playing.frequency_hz,
        change_db=playing.change_db[period],
        u95_db=u95,
        usable=usable,
        reason=tuple(_reason(playing, period=period, usable=bool(one)) for one in usable),
        budget=Budget(
            noise_db=_standard(u95),
            local_db=nothing,
            gate_db=nothing,
            drift_db=nothing,
            dof=np.full(u95.size, np.inf),
            broadband_db=0.0,
            broadband_dof=np.inf,
            step_db=0.0,
        ),
        source="multitone",
    )


def _standard(u95_db: FloatArray) -> FloatArray:
    return np.asarray(u95_db / 1.96)


def _reason(playing: Playing, *, period: int, usable: bool) -> Reason:
    if usable:
        return ""
    of_all = playing.reason[period] if playing.reason else ""
    return next((reason for reason in get_args(Reason) if reason and reason == of_all), "noise")
