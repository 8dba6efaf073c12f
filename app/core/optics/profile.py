"""Profile-likelihood intervals: how far a quantity can go before chi^2 has risen by Delta.

The end points solve  max q(p)  subject to  chi^2(p) = chi^2_min + Delta  (Venzon & Moolgavkar, Appl. Stat. 37, 87
(1988)), all quantities, both sides and both levels in one batch. With g = J'r, H = J'J (baseline projected out),
delta = H^-1 g and v = H^-1 grad q the step is delta + a v, a = sqrt((chi^2_min + Delta - chi^2 + g'delta)/(grad q' v)).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from app.core.optics.results import FloatArray
from app.core.optics.samples import Samples
from app.core.optics.varpro import Point, Shape, held_solve, leaving, safe_evaluate

Quantity = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""q (K,) and its gradient (K, P) at p (K, P)."""

_ONE_SIGMA = 0.8413447460685429
_NEAR = 0.01
"""How close chi^2 must come to its target, in units of the rise: half of it is the error of the end in sigma."""
_SHORT = 0.2


def quantiles(dof: float) -> tuple[float, float]:
    """Student's t for two-sided 68.27 % and 95 % at `dof` degrees of freedom."""
    dof = max(dof, 1.0)
    return float(stdtrit(dof, _ONE_SIGMA)), float(stdtrit(dof, 0.975))


@dataclass(frozen=True, eq=False)
class Profile:
    """Ends of nq quantities, each in the order low 68 %, high 68 %, low 95 %, high 95 %.

    `centre` (nq,) at the optimum, `values` (nq, 4), `points` (nq, 4, P) where they are reached, `at_bound`
    (nq, 4): stopped at the edge of the allowed region before chi^2 had risen enough.
    """

    centre: FloatArray
    values: FloatArray
    points: FloatArray
    at_bound: np.ndarray


def profile(
    shape: Shape,
    samples: Samples,
    best: Point,
    free: np.ndarray,
    quantities: list[Quantity],
    variance: float,
    dof: float,
    iterations: int = 14,
) -> Profile:
    """Ends of each quantity for the optimum `best` (K = 1), `variance` per independent sample."""
    t68, t95 = quantiles(dof)
    nq = len(quantities)
    # Order of the batch: quantity, then (low 68, high 68, low 95, high 95).
    sign = np.tile([-1.0, 1.0, -1.0, 1.0], nq)
    level = np.tile([t68**2, t68**2, t95**2, t95**2], nq) * variance
    target = best.rss[0] + level
    here = best.pick(np.zeros(4 * nq, dtype=np.intp))
    open_ = np.arange(4 * nq)
    stride = np.ones(4 * nq)
    for turn in range(iterations):
        now = here.pick(open_)
        _, gradient = _of(quantities, now.p, open_)
        with np.errstate(all="ignore"):
            d, predicted = _step(shape, now, sign[open_, None] * gradient, target[open_], free)
            pace = stride[open_]
            there = safe_evaluate(shape, samples, np.clip(now.p + d * pace[:, None], shape.low, shape.high))
        rise, before = there.rss - best.rss[0], now.rss - best.rss[0]
        wild = ~np.isfinite(there.rss) | (rise > 6.0 * level[open_] + 2.0 * before)
        stride[open_] = np.where(wild, pace * 0.5, np.minimum(1.0, pace * 2.0))
        kept = there.where(~wild, now)
        for mine, theirs in ((here.p, kept.p), (here.rss, kept.rss), (here.g, kept.g), (here.h, kept.h)):
            mine[open_] = theirs
        # The first step is right where chi^2 is quadratic; of later ones about their square is left.
        done = ~wild & (np.abs(there.rss - target[open_]) < _NEAR * level[open_])
        done &= (turn == 0) | (predicted * pace < _SHORT)
        open_ = open_[~done & (stride[open_] > 1e-3)]
        if not len(open_):
            break
    value, _ = _of(quantities, here.p, np.arange(4 * nq))
    inside = here.rss < target - 0.02 * level
    bound = inside & ((here.p <= shape.low) | (here.p >= shape.high) | (stride <= 1e-3)[:, None]).any(axis=1)
    centre = np.array([float(q(best.p)[0][0]) for q in quantities])
    points = here.p.reshape(nq, 4, -1)
    return Profile(centre, value.reshape(nq, 4), points, bound.reshape(nq, 4))


def _of(quantities: list[Quantity], p: FloatArray, index: np.ndarray) -> tuple[FloatArray, FloatArray]:
    """Each problem's own quantity and gradient: `index` (K,) counts quantities in fours."""
    value, gradient = np.empty(len(p)), np.empty_like(p)
    owner = index // 4
    for i in np.unique(owner):
        mine = np.flatnonzero(owner == i)
        value[mine], gradient[mine] = quantities[i](p[mine])
    return value, gradient


def _step(
    shape: Shape, here: Point, gradient: FloatArray, target: FloatArray, free: np.ndarray
) -> tuple[FloatArray, FloatArray]:
    """The step of each problem (K, P), and its length in units of the level (K,) along the quantity."""
    held = np.broadcast_to(~free, here.p.shape).copy()
    d = np.zeros_like(here.p)
    relative = np.zeros(len(here.p))
    for _ in range(2):
        delta = held_solve(here.h, here.g, held)
        v = held_solve(here.h, gradient, held)
        room = target - here.rss + np.einsum("kp,kp->k", here.g, delta)
        reach = np.einsum("kp,kp->k", gradient, v)
        a = np.sqrt(np.maximum(room, 0.0) / np.maximum(reach, 1e-300))
        d = delta + a[:, None] * v
        size = np.sqrt(np.maximum(reach * np.maximum(room, 1e-300), 1e-300))
        relative = np.abs(np.einsum("kp,kp->k", gradient, d)) / size
        out = leaving(shape, here.p, d) & ~held
        if not out.any():
            break
        held |= out
    return np.where(held, 0.0, d), relative
