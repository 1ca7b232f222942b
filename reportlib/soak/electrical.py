"""The voice coil's resistance and temperature over time, from voltage and current.

Terminal voltage over current at each tone is the impedance; where that is one coil's resistance
(`impedance`), its rise is the coil's: T = T_a + (R/R₀ − 1)·(1/α + T_a − 20 °C), with α at 20 °C
(annealed copper: Dellinger, NBS Bulletin 7, 1911). A voltage drive then loses 20·lg(R/R₀), as
the force follows the current.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.arrays import BoolArray, FloatArray
from reportlib.soak.cold_start import ColdValue, at_the_start
from reportlib.soak.impedance import ComplexArray, Stretch, resistive_stretch
from reportlib.soaked import CoilTrack

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
        return (
            "no drive unit has the impedance to itself, nearly a resistance over a third of an "
            "octave and an octave away from its crossovers"
        )
    coil = _Coil.of(at_first, scatter, stretch=stretch, frequency_hz=frequency_hz, known=known)
    resistance_ohm = np.where(usable, coil.resistance(impedance), np.nan)
    u_ohm = float(_scatter(resistance_ohm[:, np.newaxis], usable=usable, stage=stage)[0])
    if cold_impedance_ohm is not None:
        cold = coil.before(cold_impedance_ohm)
    else:
        first = usable & (stage == 0) & (clock_s < max(_BACK_S, 12.0 * period_s))
        if np.count_nonzero(first) < _LEAST_PERIODS:
            return (
                "the first stage's start was not recorded, nor voltage and current with the sweep "
                "before it, so that the cold coil's resistance is not known"
            )
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
        """Return the coil's resistance, shape (n,), of impedances of shape (n, m)."""
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
