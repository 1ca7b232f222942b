"""The voice coil's resistance and temperature over time, from voltage and current.

Terminal voltage over current at each tone is the impedance; where that is one coil's resistance,
its rise is the coil's: T = T_a + (R/R₀ − 1)·(1/α + T_a − 20 °C), with α at 20 °C
(annealed copper: Dellinger, NBS Bulletin 7, 1911). A voltage drive then loses 20·lg(R/R₀), as
the force follows the current.

What a coil was at the start is followed back from the periods after it. Where the impedance at the
terminals tells one coil's resistance:

Above its resonance a moving-coil drive unit is nearly a resistance: what its cone gives back falls
with the frequency's square and its inductance is small yet, so that |Z| has its minimum and the
phase passes zero. In a box of several drive units the stretch has to lie within one unit's
range, far from its crossovers, where the others take next to no current. The unit must also be
among those of least impedance: one behind a pad shows the pad's resistance as well, and a pad
cannot be told from a coil. (Lumped model of R. H. Small, JAES 20 and 21, 1972, 1973; the limits
are judgements, no source.)
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportlib.measure.stress.records import CoilTrack
from reportlib.measure.stress.tracks import frequency_name
from reportlib.session.records import BoolArray, FloatArray

ComplexArray = NDArray[np.complex128]

AWAY_FROM_CROSSOVER = 2.0
"""An octave: what a unit of 12 dB an octave still takes there is 6 % of the current or less."""

_MOST_PHASE_DEG = 15.0
_CAPACITIVE_DEG = -20.0  # the far side of a resonance: what lies below such a tone is not above it
_MOST_OVER_LEAST = 1.10  # |Z| over its minimum in the unit's range
_MOST_OVER_BOX = 1.25  # the same over the whole box, else there is a pad or another unit below it
_LEAST_TONES, _LEAST_OCTAVES = 4, 1.0 / 3.0


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Tones in a row in which the impedance is that of one voice coil.

    `first` and `last` are indices of tones, both inside; `unit` says which unit it is.
    """

    unit: str
    first: int
    last: int

    @property
    def tones(self) -> slice:
        """Its tones."""
        return slice(self.first, self.last + 1)


def resistive_stretch(
    impedance: ComplexArray,
    *,
    frequency_hz: FloatArray,
    usable: BoolArray,
    crossovers_hz: Sequence[float],
) -> Stretch | None:
    """Return the stretch of least impedance in which that is nearly one coil's resistance.

    Parameters
    ----------
    impedance : shape (m,), ohm
    frequency_hz : shape (m,), rising
    usable : shape (m,), tones of which the impedance is known
    crossovers_hz : none where they are not known, or where there is one drive unit only

    Returns
    -------
    None where no drive unit has the impedance to itself over a third of an octave
    """
    size = np.where(usable, np.abs(impedance), np.inf)
    phase = np.degrees(np.angle(impedance))
    best, lowest = None, np.inf
    edges = [0.0, *sorted(crossovers_hz), np.inf]
    for (low, high), name in zip(pairwise(edges), unit_names(crossovers_hz), strict=True):
        inside = usable & (frequency_hz >= low * AWAY_FROM_CROSSOVER)
        inside &= frequency_hz <= high / AWAY_FROM_CROSSOVER
        if not inside.any() or np.min(size[inside]) > _MOST_OVER_BOX * np.min(size):
            continue
        capacitive = np.flatnonzero(inside & (phase < _CAPACITIVE_DEG))
        above = np.arange(size.size) > (capacitive[-1] if capacitive.size else -1)
        if not np.any(inside & above):
            continue
        least = np.min(size[inside & above])
        flat = inside & above & (size <= _MOST_OVER_LEAST * least)
        flat &= np.abs(phase) <= _MOST_PHASE_DEG
        for first, last in _runs(flat | ~usable):
            row = first + np.flatnonzero(flat[first : last + 1])
            if row.size < _LEAST_TONES:
                continue
            octaves = float(np.log2(frequency_hz[row[-1]] / frequency_hz[row[0]]))
            mean = float(np.mean(size[row]))
            if octaves >= _LEAST_OCTAVES and mean < lowest:
                best = Stretch(unit=name, first=int(row[0]), last=int(row[-1]))
                lowest = mean
    return best


def unit_names(crossovers_hz: Sequence[float]) -> list[str]:
    """Return what each drive unit plays, in words, the lowest first.

    >>> unit_names([3200.0, 450.0])
    ['up to 450 Hz', '450 Hz to 3.2 kHz', 'from 3.2 kHz']
    """
    named = [frequency_name(hz) for hz in sorted(crossovers_hz)]
    if not named:
        return ["the loudspeaker as a whole"]
    middle = [f"{low} to {high}" for low, high in pairwise(named)]
    return [f"up to {named[0]}", *middle, f"from {named[-1]}"]


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    """First and last index of every run of True."""
    steps = np.diff(np.concatenate(([False], flags, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(steps > 0), np.flatnonzero(steps < 0) - 1
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


_SHORTEST, _LONGEST = 0.5, 4.0  # time constants that are tried: of a period, of the record
_TRIED = 160
_NOT_QUITE = 0.01
"""Standard uncertainty of the law itself, of the rise in the record: power falls as resistance
rises, and the magnet's warmth sets in late (simulated coils: up to 0.012)."""


@dataclass(frozen=True, kw_only=True)
class ColdValue:
    """A value and its standard uncertainty."""

    value: float
    u: float


def at_the_start(values: FloatArray, *, time_s: FloatArray, period_s: float, u: float) -> ColdValue:
    """Follow a rise back to time 0.

    c + a·(1 − e^(−t/τ)) + b·t, each averaged over the period, a and b not negative: a coil, and
    magnet and frame that have hardly begun to warm. All τ from half a period to four times the
    record are tried and weighed by how well they fit, so that what the periods leave open of τ
    is in the uncertainty.

    Parameters
    ----------
    values : shape (n,), n ≥ 5
    time_s : shape (n,), middle of each period, from the start
    u : standard uncertainty of each value
    """
    record_s = float(time_s[-1])
    taus_s = np.geomspace(_SHORTEST * period_s, _LONGEST * record_s, _TRIED)
    cold, spread, squares = _fitted(values, time_s=time_s, period_s=period_s, taus_s=taus_s)
    # what no such curve explains counts as noise, too
    variance = max(u**2, float(squares.min()) / max(values.size - 4, 1), 1e-30)
    weight = np.exp(-0.5 * (squares - squares.min()) / variance)
    weight /= np.sum(weight)
    mean = float(weight @ cold)
    total = weight @ (variance * spread + (cold - mean) ** 2)
    rise = float(np.mean(values[-3:])) - mean
    return ColdValue(value=mean, u=float(np.hypot(np.sqrt(total), _NOT_QUITE * rise)))


def _fitted(
    values: FloatArray, *, time_s: FloatArray, period_s: float, taus_s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Intercept for each τ, its variance for values of variance 1, and the sum of squares left.

    Least squares in closed form: of c alone, with a, with b, and with both, the best whose a and b
    are not negative.
    """
    half = 0.5 * period_s / taus_s
    rise = 1.0 - (np.sinh(half) / half)[:, np.newaxis] * np.exp(-time_s / taus_s[:, np.newaxis])
    mean_rise, mean_time, mean = rise.mean(axis=1), float(time_s.mean()), float(values.mean())
    x, t, y = rise - mean_rise[:, np.newaxis], time_s - mean_time, values - mean
    xx, tt, yy = np.sum(x * x, axis=1), float(t @ t), float(y @ y)
    xt, xy, ty = x @ t, x @ y, float(t @ y)
    determinant = xx * tt - xt**2
    none = np.zeros(taus_s.size)
    both = (xx * mean_time**2 - 2.0 * xt * mean_rise * mean_time + tt * mean_rise**2) / determinant
    slopes = (
        (xy / xx, none, mean_rise**2 / xx),
        (none, none + ty / tt, none + mean_time**2 / tt),
        ((tt * xy - xt * ty) / determinant, (xx * ty - xt * xy) / determinant, both),
    )
    cold, spread, squares = none + mean, none + 1.0 / values.size, none + yy
    for a, b, variance in slopes:
        left = np.sum((y - a[:, np.newaxis] * x - b[:, np.newaxis] * t) ** 2, axis=1)
        better = (a >= 0.0) & (b >= 0.0) & (left < squares)
        cold = np.where(better, mean - a * mean_rise - b * mean_time, cold)
        spread = np.where(better, 1.0 / values.size + variance, spread)
        squares = np.where(better, left, squares)
    return cold, spread, squares


COPPER_PER_K = 0.00393
"""Rise of annealed copper's resistance for each K at 20 °C (Dellinger 1911; IEC 60028:1925, from
memory)."""
ALUMINIUM_PER_K = 0.00403
"""The same of aluminium for conductors (IEC 60889:1987, from memory)."""
ASSUMED_AMBIENT_C = 20.0

_LEAST_PERIODS = 6
_BACK_S = 30.0  # of the first stage, followed back to its start (and at least 12 periods)
_FIRST = 10  # periods whose mean impedance says where to look
_MOST_SCATTER = 0.05  # of a tone's resistance from period to period: beyond it is not known
_AMBIENT_U_K, _ASSUMED_U_K = 1.0, 5.0  # judgements, no source


def coil_track(
    voltage_tones: ComplexArray,
    current_tones: ComplexArray,
    *,
    frequency_hz: FloatArray,
    period_s: float,
    clock_s: FloatArray,
    stage: FloatArray,
    usable: BoolArray,
    heard_db: FloatArray,
    heard_u95_db: FloatArray,
    crossovers_hz: Sequence[float] = (),
    ambient_c: float | None = None,
    alpha_per_k: float = COPPER_PER_K,
    cold_impedance_ohm: ComplexArray | None = None,
) -> CoilTrack | str:
    """Return a coil's resistance and temperature over time, or why there is none.

    The real part of the impedance is averaged over the stretch's tones, each by how little it
    scatters; what the cone's movement adds to it there, ∝ 1/f², is fitted once and taken off. R₀ is
    that of `cold_impedance_ohm` where given, else the first stage's resistance followed back to its
    start. The rise's uncertainty holds noise, R₀, the ambient temperature, how unevenly
    the real part lies over the stretch, and what a reactance beside the coil does to it.

    Parameters
    ----------
    voltage_tones, current_tones : shape (n, m), V and A, complex amplitudes of the tones, of
        any common scale and phase
    frequency_hz : shape (m,)
    clock_s : shape (n,), middle of each period from the first multitone's start on; NaN where
        not known
    stage : shape (n,), counted from 0
    usable : shape (n,), periods that count (those that ring in do not)
    heard_db, heard_u95_db : shape (n, m), each tone's change in the microphone; NaN where not known
    crossovers_hz : with none the loudspeaker counts as one drive unit
    ambient_c : temperature of the cold coil; 20 °C is assumed where nobody wrote it down
    alpha_per_k : of the coil's wire at 20 °C, `COPPER_PER_K` or `ALUMINIUM_PER_K`
    cold_impedance_ohm : shape (m,), complex, from the sweep before the stress

    Returns
    -------
    CoilTrack, or one line that says why no temperature is given
    """
    if np.count_nonzero(usable) < _LEAST_PERIODS:
        return f"fewer than {_LEAST_PERIODS} periods of voltage and current can be used"
    impedance = _impedance(voltage_tones, current_tones, usable=usable)
    scatter = _scatter(impedance.real, usable=usable, stage=stage)
    known = np.isfinite(scatter)
    at_first = np.full(frequency_hz.size, np.nan, dtype=np.complex128)
    at_first[known] = np.mean(impedance[np.ix_(np.flatnonzero(usable)[:_FIRST], known)], axis=0)
    known &= scatter <= _MOST_SCATTER * np.abs(at_first)
    if not known.any():
        return "the voltage's or the current's channel does not hold the multitone's tones"
    if np.median(at_first.real[known]) < 0.0:
        return "voltage and current are of opposite polarity; turn the current's probe round"
    stretch = resistive_stretch(
        at_first, frequency_hz=frequency_hz, usable=known, crossovers_hz=crossovers_hz
    )
    if stretch is None:
        return "no drive unit has the impedance to itself over a third of an octave"
    coil = _Coil.of(at_first, scatter, stretch=stretch, frequency_hz=frequency_hz, known=known)
    resistance_ohm = np.where(usable, coil.resistance(impedance), np.nan)
    u_ohm = float(_scatter(resistance_ohm[:, np.newaxis], usable=usable, stage=stage)[0])
    if cold_impedance_ohm is not None:
        cold = coil.before(cold_impedance_ohm)
    else:
        first = usable & (stage == 0) & (clock_s < max(_BACK_S, 12.0 * period_s))
        if np.count_nonzero(first) < _LEAST_PERIODS:
            return "the first stage's start was not recorded, so the cold resistance is not known"
        cold = at_the_start(
            resistance_ohm[first], time_s=clock_s[first], period_s=period_s, u=u_ohm
        )
    ambient = ASSUMED_AMBIENT_C if ambient_c is None else ambient_c
    rise_k, rise_u95_k = _rise(
        resistance_ohm,
        u_ohm=u_ohm,
        cold=cold,
        uneven_ohm=coil.uneven_ohm,
        kelvin=1.0 / alpha_per_k + ambient - 20.0,
        ambient_u_k=_ASSUMED_U_K if ambient_c is None else _AMBIENT_U_K,
    )
    heard, heard_u95 = _mean_heard(heard_db[:, stretch.tones], heard_u95_db[:, stretch.tones])
    return CoilTrack(
        unit=stretch.unit,
        low_hz=float(frequency_hz[stretch.first]),
        high_hz=float(frequency_hz[stretch.last]),
        cold_ohm=cold.value,
        ambient_c=ambient,
        ambient_assumed=ambient_c is None,
        resistance_ohm=resistance_ohm,
        resistance_u95_ohm=np.where(np.isfinite(resistance_ohm), 2.0 * u_ohm, np.nan),
        rise_k=rise_k,
        rise_u95_k=rise_u95_k,
        expected_db=20.0 * np.log10(cold.value / resistance_ohm),
        heard_db=np.where(usable, heard, np.nan),
        heard_u95_db=np.where(usable, heard_u95, np.nan),
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Coil:
    """How a stretch's tones are put together to one resistance.

    `weight` of shape (m,) sums to 1; `moving_ohm` is what the cone's movement adds to the mean.
    `uneven_ohm` is how far the tones' real parts lie from what is then left, as a standard
    deviation, with what parallel reactance of the network may hide: a real part of phase φ then
    rises by 1 − 2·sin²φ of what the coil does.
    """

    weight: FloatArray
    moving_ohm: float
    uneven_ohm: float

    @classmethod
    def of(
        cls,
        at_first: ComplexArray,
        scatter: FloatArray,
        *,
        stretch: Stretch,
        frequency_hz: FloatArray,
        known: BoolArray,
    ) -> "_Coil":
        """Weigh the tones and fit R + a/f², a ≥ 0, to the real part at first."""
        inside = np.zeros(frequency_hz.size, dtype=np.bool_)
        inside[stretch.tones] = known[stretch.tones]
        # no tone counts more than four times as much as the middle one, however still it stands
        least = max(0.5 * float(np.median(scatter[inside])), 1e-9 * np.abs(at_first[inside]).max())
        variance = np.maximum(scatter[inside], least) ** 2
        weight = np.zeros(frequency_hz.size)
        weight[inside] = (1.0 / variance) / np.sum(1.0 / variance)
        w, real = weight[inside], at_first.real[inside]
        falling = (frequency_hz[stretch.first] / frequency_hz[inside]) ** 2
        middle = float(w @ falling)
        spread = float(w @ (falling - middle) ** 2)
        slope = max(0.0, float(w @ ((falling - middle) * real)) / spread)
        left = real - slope * falling
        hidden = 2.0 * np.sin(np.angle(at_first[inside])) ** 2 * real
        uneven = np.hypot(np.sqrt(w @ (left - w @ left) ** 2), w @ hidden / np.sqrt(3.0))
        return cls(weight=weight, moving_ohm=slope * middle, uneven_ohm=float(uneven))

    def resistance(self, impedance: ComplexArray) -> FloatArray:
        """Return the coil's resistance, shape (n,), of impedances of shape (n, m).

        From the real part, less the cone's share, which falls as 1/f².
        """
        told = self.weight > 0.0
        return np.asarray(impedance.real[:, told] @ self.weight[told] - self.moving_ohm)

    def before(self, impedance: ComplexArray) -> ColdValue:
        """Return the cold resistance of an impedance of shape (m,) from the sweep before."""
        value = float(self.resistance(impedance[np.newaxis])[0])
        told = self.weight > 0.0
        real = impedance.real[told]
        apart = self.weight[told] @ (real - self.weight[told] @ real) ** 2
        return ColdValue(value=value, u=float(np.sqrt(apart / np.count_nonzero(told))))


def _impedance(voltage: ComplexArray, current: ComplexArray, *, usable: BoolArray) -> ComplexArray:
    """Voltage over current, shape (n, m); NaN in periods that do not count and without current."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(usable[:, np.newaxis] & (np.abs(current) > 0.0), voltage / current, np.nan)
    return np.asarray(np.where(np.abs(voltage) > 0.0, ratio, np.nan))


def _scatter(values: FloatArray, *, usable: BoolArray, stage: FloatArray) -> FloatArray:
    """Standard deviation from period to period, shape (m,), of values of shape (n, m).

    From second differences of three periods in a row, which a steady rise does not move: the
    variance of x₋₁ − 2·x₀ + x₁ is six times theirs. NaN where a value is not known.
    """
    row = usable[:-2] & usable[1:-1] & usable[2:] & (stage[:-2] == stage[2:])
    seconds = values[:-2] - 2.0 * values[1:-1] + values[2:]
    if not row.any():
        return np.full(values.shape[1], np.nan)
    return np.asarray(np.sqrt(np.mean(np.square(seconds[row]), axis=0) / 6.0))


def _rise(
    resistance_ohm: FloatArray,
    *,
    u_ohm: float,
    cold: ColdValue,
    uneven_ohm: float,
    kelvin: float,
    ambient_u_k: float,
) -> tuple[FloatArray, FloatArray]:
    """Temperature above the cold coil's and its u95, in K; `kelvin` is 1/α + T_a − 20 °C."""
    over = resistance_ohm / cold.value - 1.0
    random = np.hypot(u_ohm, (1.0 + over) * cold.u) / cold.value
    of_itself = np.hypot(uneven_ohm / cold.value * kelvin, ambient_u_k) * over
    return over * kelvin, 2.0 * np.hypot(random * kelvin, of_itself)


def _mean_heard(heard_db: FloatArray, u95_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean change over the stretch's tones and its u95, shape (n,).

    The u95 is the root of the tones' mean square, an upper bound: they share what they are
    counted from, so that averaging takes off less than independent errors would let it.
    """
    told = np.isfinite(heard_db) & np.isfinite(u95_db)
    count = np.maximum(np.count_nonzero(told, axis=1), 1)
    mean = np.sum(np.where(told, heard_db, 0.0), axis=1) / count
    u95 = np.sqrt(np.sum(np.where(told, u95_db, 0.0) ** 2, axis=1) / count)
    some = np.any(told, axis=1)
    return np.where(some, mean, np.nan), np.where(some, u95, np.nan)
