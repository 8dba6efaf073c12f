"""Least squares of any model by the loop that fits the resonances, without linear parameters to project out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.core.optics.results import FloatArray
from app.core.optics.varpro import ModelFunction, Point, Shape, descend

_ITERATIONS = 2000
_TOLERANCE = 1e-9
_DAMPING = 1e-2


@dataclass(frozen=True, eq=False)
class Solution:
    """`parameters` (P,), their `standard_deviations` (P,) and `covariance` (P, P), and what is left, `rss`."""

    parameters: FloatArray
    standard_deviations: FloatArray
    covariance: FloatArray
    rss: float
    dof: int


def least_squares(
    model: ModelFunction,
    start: FloatArray,
    x: FloatArray,
    y: FloatArray,
    *,
    linear: tuple[int, ...] = (),
    low: FloatArray | None = None,
    high: FloatArray | None = None,
) -> Solution:
    """p that minimises sum (y - f(x; p))^2 from `start` (P,), with the covariance rss/dof (J'J)^-1.

    `model` takes p (K, P) and x (n,) and gives f (K, n) and df/dp (K, P, n); it is linear in
    the parameters numbered in `linear`, which start where they are best, as the baseline does in variable
    projection; `low` and `high` (P,) bound p.
    Raises ValueError where the model has no finite value at the start.
    """
    start = np.asarray(start, dtype=float)
    n, size = len(y), len(start)
    edge = np.full(size, np.inf)
    everywhere = Shape(
        model,
        -edge if low is None else np.asarray(low, dtype=float),
        edge if high is None else np.asarray(high, dtype=float),
        lambda p: np.ones(len(p), dtype=bool),
        size,
    )
    dof = max(n - size, 1)

    def evaluate_at(p: FloatArray, _: FloatArray) -> Point:
        return _problem(model, x, y, p)

    free = np.ones(size, dtype=bool)
    point = descend(
        evaluate_at,
        everywhere,
        _solved(model, x, y, start, linear)[None],
        np.zeros((1, 0)),
        free,
        dof=dof,
        iterations=_ITERATIONS,
        tolerance=_TOLERANCE,
        damping=_DAMPING,
    )
    if not np.isfinite(point.rss[0]):
        raise ValueError("the model has no finite value at the start")
    rss = float(point.rss[0])
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(point.h[0]), 1e-300))
    outer = np.outer(scale, scale)
    covariance = np.linalg.pinv(point.h[0] * outer, rcond=1e-15, hermitian=True) * outer * (rss / dof)
    return Solution(point.p[0], np.sqrt(np.diagonal(covariance)), covariance, rss, dof)


def _solved(
    model: ModelFunction, x: FloatArray, y: FloatArray, start: FloatArray, linear: tuple[int, ...]
) -> FloatArray:
    """`start` with its linear parameters solved for."""
    if not linear:
        return start
    f, j = model(start[None], x)
    out = start.copy()
    out[list(linear)] += np.linalg.lstsq(j[0, list(linear)].T, y - f[0], rcond=None)[0]
    return out


def _problem(model: ModelFunction, x: FloatArray, y: FloatArray, p: FloatArray) -> Point:
    """rss, J'r and J'J at p (K, P); rss infinite where the numbers run out."""
    f, j = model(p, x)
    r = y - f
    g, h = (j @ r[..., None])[..., 0], j @ j.transpose(0, 2, 1)
    rss = (r * r).sum(-1)
    fine = np.isfinite(rss + g.sum(-1) + h.sum((1, 2)))
    rss = np.where(fine, rss, np.inf)
    return Point(
        p, rss, np.where(fine[:, None], g, 0.0), np.where(fine[:, None, None], h, np.eye(p.shape[1])), p[:, :0]
    )
