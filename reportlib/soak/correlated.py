"""Inner products of columns under noise whose neighbours are correlated.

First-order autoregressive noise of correlation ρ within each unbroken run of periods, of unit
innovation. With V its covariance, XᵀV⁻¹X is a quadratic in ρ, so that three plain products of
the columns serve every ρ (Prais & Winsten 1954; from memory).
"""

from dataclasses import dataclass

import numpy as np

from reportlib.arrays import BoolArray, FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Products:
    """The products of q columns: shape (q, q) each, and how many unbroken runs there are."""

    plain: FloatArray
    squared: FloatArray
    lagged: FloatArray
    count: int
    runs: int

    def at(self, correlation: float) -> FloatArray:
        """Return XᵀV⁻¹X for one correlation; shape (q, q)."""
        return self.plain + correlation**2 * self.squared - correlation * self.lagged

    def log_scale(self, correlation: float) -> float:
        """Return ½·ln|V⁻¹|."""
        return 0.5 * self.runs * float(np.log1p(-(correlation**2)))


def products(columns: FloatArray, *, follows: BoolArray) -> Products:
    """Return the products of columns of shape (n, q); `follows`: see :class:`History`."""
    after, before = columns[follows], columns[:-1][follows[1:]]
    first = columns[~follows]
    lagged = after.T @ before
    return Products(
        plain=columns.T @ columns,
        squared=before.T @ before - first.T @ first,
        lagged=lagged + lagged.T,
        count=columns.shape[0],
        runs=first.shape[0],
    )


def whitened(columns: FloatArray, *, correlation: float, follows: BoolArray) -> FloatArray:
    """Return columns of shape (n, q) with the neighbours' correlation taken out of their noise."""
    out = np.sqrt(1.0 - correlation**2) * columns
    out[follows] = columns[follows] - correlation * columns[:-1][follows[1:]]
    return np.asarray(out)
