"""The likeliest fit of a track with a given number of terms."""

from dataclasses import dataclass

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.soak.candidates import SEPARATION
from reportlib.soak.correlated import whitened
from reportlib.soak.history import History
from reportlib.soak.model_curves import period_states
from reportlib.soak.weighing import COOLING_RANGE, Weighed


@dataclass(frozen=True, eq=False, kw_only=True)
class Estimate:
    """One fit: terms, the faster first, and what it leaves.

    Attributes
    ----------
    time_constants_s, losses_db : shape (terms,)
    cooling : ratio of cooling and heating, where a pause was measured
    fitted_db : shape (n,)
    misfit : the residual's sum of squares, its neighbours' correlation taken out
    """

    time_constants_s: FloatArray
    losses_db: FloatArray
    cooling: float
    cold_db: float
    fitted_db: FloatArray
    misfit: float


def likeliest(
    track_db: FloatArray, *, history: History, grid: Weighed, correlation: float
) -> Estimate:
    """Refine the grid's best point by least squares, at a given correlation of the noise.

    Where a time constant runs away (a straight line is a slow term of any size) it is put at the
    middle of what it may be.
    """
    terms = grid.axes.terms
    free = grid.axes.cooling.size > 1
    follows = history.follows

    def nonlinear(point: FloatArray) -> tuple[FloatArray, float]:
        cooling = float(np.clip(point[-1], *COOLING_RANGE)) if free else grid.best[2]
        return np.exp(np.clip(point[:terms], -20.0, 20.0)), cooling

    def solved(point: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Linear parameters, fitted values, whitened residual."""
        tau, cooling = nonlinear(point)
        states = period_states(history, time_constant_s=tau, cooling=cooling)
        columns = np.column_stack([np.ones(track_db.size), -states])
        white = whitened(
            np.column_stack([columns, track_db]), correlation=correlation, follows=follows
        )
        answer = np.asarray(np.linalg.lstsq(white[:, :-1], white[:, -1])[0], dtype=np.float64)
        fitted: FloatArray = columns @ answer
        return answer, fitted, np.asarray(white[:, -1] - white[:, :-1] @ answer)

    point = np.array([*grid.best[:terms], *([grid.best[2]] if free else [])])
    if point.size:
        from scipy.optimize import least_squares  # a fifth of a second, where nothing else did

        found = least_squares(lambda tried: solved(tried)[2], point, method="lm", x_scale=0.1).x
        point = (
            found if _stands(found, losses_db=solved(found)[0][1:], grid=grid) else _middle(grid)
        )
    answer, fitted, residual = solved(point)
    tau, cooling = nonlinear(point)
    return Estimate(
        time_constants_s=tau,
        losses_db=answer[1:],
        cooling=cooling,
        cold_db=float(answer[0]),
        fitted_db=fitted,
        misfit=float(residual @ residual),
    )


def _stands(point: FloatArray, *, losses_db: FloatArray, grid: Weighed) -> bool:
    """Whether a point is one that the model allows, and has not run out of what was weighed."""
    axes = (grid.axes.fast, grid.axes.slow)[: grid.axes.terms]
    within = [
        axis[0] <= value <= axis[-1] for axis, value in zip(axes, point[: len(axes)], strict=True)
    ]
    apart = len(axes) < 2 or point[1] - point[0] >= np.log(SEPARATION)
    return all(within) and bool(apart and np.all(losses_db > 0.0))


def _middle(grid: Weighed) -> FloatArray:
    """Return the medians: where the likeliest point lies at the edge of what can be asked about."""
    terms = grid.axes.terms
    point = [float(np.log(grid.time_constants_s(one, np.array(0.5)))) for one in range(terms)]
    if terms == 2:
        point[1] = max(point[1], point[0] + float(np.log(SEPARATION)))
    return np.array([*point, *([grid.best[2]] if grid.axes.cooling.size > 1 else [])])
