"""What a weighed grid says of anything that follows from the fit, as draws.

Propagation of distributions (JCGM 101:2008): a point of the grid by its weight, the noise's
size and the linear parameters given that point, then the quantity itself. The generator's seed
is fixed, so that one track always gives one answer.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportlib.arrays import FloatArray
from reportlib.soak.feedback import Feedback
from reportlib.soak.model_curves import heated_state, stage_states
from reportlib.soak.weighing import Weighed

PROJECTED_S = 600.0
"""Stress without a pause that a loss is projected to."""

_SEED = 20240


@dataclass(frozen=True, eq=False, kw_only=True)
class Draws:
    """Draws from one track's fit.

    Attributes
    ----------
    cold_db, end_loss_db, projected_db : shape (m,)
    losses_db : shape (terms, m), of each term if the stress lasted for ever
    """

    cold_db: FloatArray
    end_loss_db: FloatArray
    projected_db: FloatArray
    losses_db: FloatArray


def drawn(grid: Weighed, *, spans_s: FloatArray, effect: Feedback, count: int) -> Draws:
    """Draw from a weighed grid; draws with a loss below zero are thrown away.

    Parameters
    ----------
    spans_s : shape (stages, 2), of the history
    effect : what falling power does, which lifts the cold level
    count : how many draws, before any is thrown away
    """
    generator = np.random.default_rng(_SEED)
    terms = grid.axes.terms
    weight = np.exp(grid.log_weight - np.max(grid.log_weight)).ravel()
    # Evenly through the cumulated weight: a sample of points without a lottery of its own.
    share = generator.permutation((np.arange(count) + generator.uniform()) / count)
    picked = np.searchsorted(np.cumsum(weight) / weight.sum(), share).clip(0, weight.size - 1)
    which, i, j = np.unravel_index(picked, grid.log_weight.shape)

    def of(values: list[FloatArray]) -> FloatArray:
        return np.array(values)[which, ..., i, j]

    points = [one.point for one in grid.slices]
    freedom = grid.count - 1 - terms
    misfit = of([point.misfit for point in points])
    noise_db = np.sqrt(misfit / generator.chisquare(freedom, count))
    normal = generator.standard_normal((count, 1 + terms))
    level_db = np.array([point.level_db for point in points])[which]
    information = np.array([point.information for point in points])[which]
    lift = effect.lifts_db(generator.uniform(size=count))
    cold = lift + level_db + noise_db / np.sqrt(information) * normal[:, 0]
    losses = np.zeros((count, 0))
    if terms:
        root = _root(of([point.inverse for point in points]))
        spread = np.einsum("mjk,mk->mj", root, normal[:, 1:]) * noise_db[:, np.newaxis]
        losses = of([point.losses_db for point in points]) + spread
        offset = of([np.broadcast_to(point.offset, point.losses_db.shape) for point in points])
        cold = cold - np.sum(losses * offset, axis=1)
    kept = np.all(losses > 0.0, axis=1)
    if not kept.any():
        kept[:] = True
    end, later = _weights(grid, spans_s=spans_s, picked=(which, i, j))
    return Draws(
        cold_db=cold[kept],
        end_loss_db=(lift + np.sum(losses * end, axis=1))[kept],
        projected_db=(lift + np.sum(losses * later, axis=1))[kept],
        losses_db=losses[kept].T,
    )


def _root(matrix: FloatArray) -> FloatArray:
    """Cholesky's root of one or two rows, shape (m, terms, terms), which rounding can't break."""
    root = np.zeros_like(matrix)
    root[:, 0, 0] = np.sqrt(matrix[:, 0, 0])
    if matrix.shape[1] == 2:
        root[:, 1, 0] = matrix[:, 1, 0] / root[:, 0, 0]
        root[:, 1, 1] = np.sqrt(np.maximum(matrix[:, 1, 1] - root[:, 1, 0] ** 2, 0.0))
    return root


def _weights(
    grid: Weighed,
    *,
    spans_s: FloatArray,
    picked: Sequence[NDArray[np.intp]],
) -> tuple[FloatArray, FloatArray]:
    """States at the end of the last stage, and after `PROJECTED_S`; shape (m, terms) each."""
    which, *nodes = picked
    cooling = [one.cooling for one in grid.slices]
    ends, laters = [], []
    for axis, node in zip((grid.axes.fast, grid.axes.slow)[: grid.axes.terms], nodes, strict=False):
        tau = np.exp(axis)
        by_cooling = {
            ratio: stage_states(spans_s, time_constant_s=tau, cooling=ratio)[1][-1]
            for ratio in set(cooling)
        }
        ends.append(np.array([by_cooling[ratio] for ratio in cooling])[which, node])
        laters.append(heated_state(PROJECTED_S, time_constant_s=tau)[node])
    empty = np.zeros((which.size, 0))
    return (np.array(ends).T, np.array(laters).T) if ends else (empty, empty)


def mixed_draws(draws: Sequence[Draws], *, weights: FloatArray) -> Draws:
    """Take from each fit's draws in proportion to its weight; `losses_db` is left empty."""
    shares = weights / np.max(weights)
    parts = [
        (one, slice(0, round(float(share) * one.cold_db.size)))
        for one, share in zip(draws, shares, strict=True)
    ]
    return Draws(
        cold_db=np.concatenate([one.cold_db[part] for one, part in parts]),
        end_loss_db=np.concatenate([one.end_loss_db[part] for one, part in parts]),
        projected_db=np.concatenate([one.projected_db[part] for one, part in parts]),
        losses_db=np.zeros((0, 0)),
    )


def half_width(value: float, draws: FloatArray) -> float:
    """Return the half-width around a value that holds 95 % of the draws."""
    return float(np.quantile(np.abs(draws - value), 0.95))
