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
_STUCK = 1e4
"""Damping at which a problem is left where it is: no step is short enough to be better."""
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

    def put(self, index: np.ndarray, other: Point) -> Point:
        """This point with the problems at `index` replaced by `other`."""
        pairs = ((self.p, other.p), (self.rss, other.rss), (self.g, other.g), (self.h, other.h), (self.b, other.b))
        whole = []
        for mine, theirs in pairs:
            new = mine.copy()
            new[index] = theirs
            whole.append(new)
        return Point(*whole)

    def pick(self, index: np.ndarray | list[int] | slice) -> Point:
        """The problems at `index` alone."""
        return Point(self.p[index], self.rss[index], self.g[index], self.h[index], self.b[index])


def evaluate(shape: Shape, samples: Samples, p: FloatArray, b: FloatArray) -> Point:
    """The projected problem at p (K, P) with a baseline near b (K, 3), by one product of all columns with themselves.

    rss is exact; the Jacobian takes the baseline from `b`, which at the optimum is the same. Raises LinAlgError
    where the baseline is not determined.
    """
    t, dt = shape.model(p, samples.z)
    k, size, n = dt.shape
    m = len(samples.u_scaled)
    columns = np.empty((k, size + m + 1, n))
    light = b @ samples.u_scaled
    np.multiply(t[:, None, :], samples.u_scaled, out=columns[:, :m])
    np.subtract(samples.y_scaled, t * light, out=columns[:, m])
    np.multiply(dt, light[:, None, :], out=columns[:, m + 1 :])
    gram = columns @ columns.transpose(0, 2, 1)
    x = np.linalg.solve(gram[:, :m, :m], gram[:, :m, m:])
    rest = gram[:, m:, m:] - gram[:, m:, :m] @ x
    return Point(p, rest[:, 0, 0], rest[:, 1:, 0], rest[:, 1:, 1:], b + x[:, :, 0])


def safe_evaluate(shape: Shape, samples: Samples, p: FloatArray, b: FloatArray) -> Point:
    """`evaluate`, with infinite rss where p is not feasible or the numbers run out."""
    try:
        point = evaluate(shape, samples, p, b)
    except np.linalg.LinAlgError:
        point = _one_by_one(shape, samples, p, b)
    fine = shape.feasible(p) & np.isfinite(point.rss + point.h.sum((1, 2)) + point.g.sum(1)) & (point.rss >= 0)
    if fine.all():
        return point
    k, n = p.shape
    bad = Point(p, np.full(k, np.inf), np.zeros((k, n)), np.tile(np.eye(n), (k, 1, 1)), b)
    return point.where(fine, bad)


def _one_by_one(shape: Shape, samples: Samples, p: FloatArray, b: FloatArray) -> Point:
    """One singular problem spoils the batch: solve each alone and mark the singular ones."""
    k, n = p.shape
    out = Point(p, np.full(k, np.inf), np.zeros((k, n)), np.tile(np.eye(n), (k, 1, 1)), b.copy())
    for i in range(k):
        try:
            one = evaluate(shape, samples, p[i : i + 1], b[i : i + 1])
        except np.linalg.LinAlgError:
            continue
        for mine, theirs in ((out.rss, one.rss), (out.g, one.g), (out.h, one.h), (out.b, one.b)):
            mine[i] = theirs[0]
    return out


def held_solve(h: FloatArray, g: FloatArray, held: np.ndarray) -> FloatArray:
    """Solve H d = g (K, P) with the parameters in `held` (K, P) fixed."""
    index = np.arange(h.shape[1])
    if held.any():
        free = ~held
        stiff = h * (free[:, :, None] & free[:, None, :])
        stiff[:, index, index] += held
        g = g * free
    else:
        stiff = h.copy()
    stiff[:, index, index] *= 1 + 1e-12  # a hair against rounding
    try:
        d = np.linalg.solve(stiff, g[..., None])[..., 0]
    except np.linalg.LinAlgError:
        stiff[:, index, index] += 1e-300
        try:
            d = (np.linalg.pinv(stiff) @ g[..., None])[..., 0]
        except np.linalg.LinAlgError:
            return np.zeros_like(g)
    return np.where(np.isfinite(d), d, 0.0)


def leaving(low: FloatArray, high: FloatArray, p: FloatArray, d: FloatArray) -> np.ndarray:
    """Which parameters (K, P) stand at a bound and would step out of the box."""
    return np.asarray(((p <= low) & (d < 0)) | ((p >= high) & (d > 0)))


def descend(
    evaluate_at: Callable[[FloatArray, FloatArray], Point],
    shape: Shape,
    start: FloatArray,
    b: FloatArray,
    free: np.ndarray,
    *,
    dof: int,
    iterations: int = 40,
    tolerance: float = 1e-2,
    damping: float = 1e-4,
    hopeless: float = np.inf,
    patience: int = 4,
) -> Point:
    """Levenberg-Marquardt from start (K, P), all problems at once; ends when each step is below `tolerance` sigma.

    sigma is that of the parameters along the step, from rss/dof. `evaluate_at` gives the least-squares problem at
    p (K, P) with linear parameters near b, whether or not there are any to project out; `free` is (P,) or (K, P).
    A problem whose chi^2 is more than `hopeless` above the least is left where it is
    after `patience` steps.
    """
    k, size = start.shape
    low, high, held = (np.broadcast_to(a, (k, size)) for a in (shape.low, shape.high, ~free))
    active, identity = np.arange(k), np.eye(size)
    with np.errstate(all="ignore"):
        here = evaluate_at(np.minimum(np.maximum(start, low), high), b)
        out = here
        damped = np.full(k, damping)
        for turn in range(iterations):
            h = here.h * (1.0 + damped[:, None, None] * identity)
            d = held_solve(h, here.g, held)
            stopped = leaving(low, high, here.p, d)
            if stopped.any():
                d = held_solve(h, here.g, stopped | held)
            there = evaluate_at(np.minimum(np.maximum(here.p + d, low), high), here.b)
            better = there.rss <= here.rss
            small = (d[:, None, :] @ here.h @ d[:, :, None])[:, 0, 0] <= tolerance**2 * here.rss / dof
            here = there if better.all() else there.where(better, here)
            open_ = ~(small & (damped < 1.0)) & (damped < _STUCK) & np.isfinite(here.rss)
            if turn >= patience and hopeless < np.inf:
                open_ &= here.rss < min(here.rss.min(), out.rss.min()) * (1.0 + hopeless / dof)
            damped = np.where(better, np.maximum(damped * 0.1, 1e-9), damped * 8.0)
            if not open_.all():
                out = here if len(active) == k else out.put(active, here)
                if not open_.any():
                    return out
                active, low, high, held = active[open_], low[open_], high[open_], held[open_]
                here, damped = here.pick(open_), damped[open_]
        return here if len(active) == k else out.put(active, here)


def minimise(
    shape: Shape,
    samples: Samples,
    start: FloatArray,
    free: np.ndarray,
    *,
    b: FloatArray | None = None,
    iterations: int = 40,
    tolerance: float = 1e-2,
    hopeless: float = np.inf,
    patience: int = 4,
) -> Point:
    """`descend` with the baseline projected out, starting from a baseline near b (K, 3), or near 1."""
    if b is None:
        b = np.zeros((len(start), 3))
        b[:, 0] = 1.0

    def evaluate_at(p: FloatArray, near: FloatArray) -> Point:
        return safe_evaluate(shape, samples, p, near)

    return descend(
        evaluate_at,
        shape,
        start,
        b,
        free,
        dof=max(len(samples.z) - shape.size - 3, 1),
        iterations=iterations,
        tolerance=tolerance,
        hopeless=hopeless,
        patience=patience,
    )
