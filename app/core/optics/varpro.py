"""Least squares by variable projection, many problems at once.

The model is T(z; p) (b0 + b1 u + b2 u^2): for each p the baseline b is solved for exactly, so that only p is
searched (Golub & Pereyra, SIAM J. Numer. Anal. 10, 413 (1973), with Kaufman's simplification of the Jacobian).
All arrays carry a leading axis of K independent problems; K = 1 is the plain fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from app.core.optics.results import FloatArray
from app.core.optics.samples import Samples

ModelFunction = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
Feasible = Callable[[FloatArray], np.ndarray]


@dataclass(frozen=True, eq=False)
class Shape:
    """A model function with the box `low`, `high` (P,) of its parameters and what else they must obey."""

    model: ModelFunction
    low: FloatArray
    high: FloatArray
    feasible: Feasible
    size: int


@dataclass(frozen=True, eq=False)
class Point:
    """At p (K, P): rss (K,), half the descent direction g = J'r (K, P), projected J'J (K, P, P), baseline b (K, 3)."""

    p: FloatArray
    rss: FloatArray
    g: FloatArray
    h: FloatArray
    b: FloatArray

    def where(self, take: np.ndarray, other: Point) -> Point:
        """This point where `take` (K,) is true, `other` elsewhere."""
        a, m = take[:, None], take[:, None, None]
        return Point(
            np.where(a, self.p, other.p),
            np.where(take, self.rss, other.rss),
            np.where(a, self.g, other.g),
            np.where(m, self.h, other.h),
            np.where(a, self.b, other.b),
        )

    def pick(self, index: np.ndarray | list[int] | slice) -> Point:
        """The problems at `index` alone."""
        return Point(self.p[index], self.rss[index], self.g[index], self.h[index], self.b[index])


def evaluate(shape: Shape, samples: Samples, p: FloatArray) -> Point:
    """The projected least-squares problem at p (K, P); raises LinAlgError where the baseline is not determined."""
    t, dt = shape.model(p, samples.z)
    u, w = samples.u, samples.weight
    basis = t[:, None, :] * u
    weighted = basis * w
    inverse = np.linalg.inv(weighted @ basis.transpose(0, 2, 1))
    b = (inverse @ (weighted @ samples.y)[..., None])[..., 0]
    r = samples.y - (b[:, None, :] @ basis)[:, 0, :]
    j = dt * (b @ u)[:, None, :]
    jw = j * w
    j_t = j.transpose(0, 2, 1)
    cross = weighted @ j_t
    h = jw @ j_t - cross.transpose(0, 2, 1) @ inverse @ cross
    rss = (r * r) @ w
    return Point(p, rss, (jw @ r[..., None])[..., 0], h, b)


def safe_evaluate(shape: Shape, samples: Samples, p: FloatArray) -> Point:
    """`evaluate`, with infinite rss where p is not feasible or the numbers run out."""
    try:
        point = evaluate(shape, samples, p)
    except np.linalg.LinAlgError:
        point = _one_by_one(shape, samples, p)
    fine = shape.feasible(p) & np.isfinite(point.rss + point.h.sum((1, 2)) + point.g.sum(1))
    if fine.all():
        return point
    k, n = p.shape
    bad = Point(p, np.full(k, np.inf), np.zeros((k, n)), np.tile(np.eye(n), (k, 1, 1)), point.b)
    return point.where(fine, bad)


def _one_by_one(shape: Shape, samples: Samples, p: FloatArray) -> Point:
    """One singular problem spoils the batch: solve each alone and mark the singular ones."""
    k, n = p.shape
    out = Point(p, np.full(k, np.inf), np.zeros((k, n)), np.tile(np.eye(n), (k, 1, 1)), np.zeros((k, 3)))
    for i in range(k):
        try:
            one = evaluate(shape, samples, p[i : i + 1])
        except np.linalg.LinAlgError:
            continue
        for mine, theirs in ((out.rss, one.rss), (out.g, one.g), (out.h, one.h), (out.b, one.b)):
            mine[i] = theirs[0]
    return out


def held_solve(h: FloatArray, g: FloatArray, held: np.ndarray) -> FloatArray:
    """Solve H d = g (K, P) with the parameters in `held` (K, P) fixed."""
    index = np.arange(h.shape[1])
    free = ~held
    stiff = h * (free[:, :, None] & free[:, None, :])
    diagonal = np.abs(np.diagonal(h, axis1=1, axis2=2)) + 1e-300
    stiff[:, index, index] = np.where(held, diagonal, stiff[:, index, index] * (1 + 1e-12) + 1e-300)
    right = np.where(held, 0.0, g)[..., None]
    try:
        d = np.linalg.solve(stiff, right)[..., 0]
    except np.linalg.LinAlgError:
        d = (np.linalg.pinv(stiff) @ right)[..., 0]
    return np.where(np.isfinite(d) & free, d, 0.0)


def leaving(shape: Shape, p: FloatArray, d: FloatArray) -> np.ndarray:
    """Which parameters (K, P) stand at a bound and would step out of the box."""
    return np.asarray(((p <= shape.low) & (d < 0)) | ((p >= shape.high) & (d > 0)))


def bounded_step(shape: Shape, p: FloatArray, h: FloatArray, g: FloatArray, free: np.ndarray) -> FloatArray:
    """Solve H d = g (K, P) over the free parameters, holding those at a bound that would leave the box."""
    index = np.flatnonzero(free)
    d = np.zeros_like(p)
    try:
        d[:, index] = np.linalg.solve(h[:, index[:, None], index], g[:, index, None])[..., 0]
    except np.linalg.LinAlgError:
        d = held_solve(h, g, np.broadcast_to(~free, p.shape))
    out = leaving(shape, p, d)
    return held_solve(h, g, out | ~free) if out.any() else d


def descend(
    evaluate_at: Callable[[FloatArray], Point],
    shape: Shape,
    start: FloatArray,
    free: np.ndarray,
    *,
    dof: int,
    iterations: int = 40,
    tolerance: float = 1e-2,
    damping: float = 1e-4,
) -> Point:
    """Levenberg-Marquardt from start (K, P), all problems at once; ends when each step is below `tolerance` sigma.

    sigma is that of the parameters along the step, from rss/dof. `evaluate_at` gives the least-squares problem at
    p (K, P), whether or not linear parameters were projected out of it.
    """
    with np.errstate(all="ignore"):
        here = evaluate_at(np.clip(start, shape.low, shape.high))
        damped = np.full(len(start), damping)
        open_ = np.isfinite(here.rss)
        diagonal = np.arange(start.shape[1])
        for _ in range(iterations):
            h = here.h.copy()
            h[:, diagonal, diagonal] *= 1.0 + damped[:, None]
            d = bounded_step(shape, here.p, h, here.g, free)
            there = evaluate_at(np.minimum(np.maximum(here.p + d, shape.low), shape.high))
            better = open_ & (there.rss <= here.rss)
            length = (d[:, None, :] @ here.h @ d[:, :, None])[:, 0, 0]
            small = length <= tolerance**2 * here.rss / dof
            here = there if better.all() else there.where(better, here)
            open_ &= ~(small & (damped < 1.0)) & (damped < 1e9)
            if not open_.any():
                break
            damped = np.where(better, np.maximum(damped * 0.1, 1e-9), damped * 8.0)
        return here


def minimise(
    shape: Shape,
    samples: Samples,
    start: FloatArray,
    free: np.ndarray,
    *,
    iterations: int = 40,
    tolerance: float = 1e-2,
) -> Point:
    """`descend` with the baseline projected out."""
    dof = max(samples.total - shape.size - 3, 1)

    def evaluate_at(p: FloatArray) -> Point:
        return safe_evaluate(shape, samples, p)

    return descend(evaluate_at, shape, start, free, dof=dof, iterations=iterations, tolerance=tolerance)
