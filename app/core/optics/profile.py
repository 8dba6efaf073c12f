"""Profile-likelihood intervals: how far a quantity can go before chi^2 has risen by Delta.

The end points solve  max q(p)  subject to  chi^2(p) = chi^2_min + Delta  (Venzon & Moolgavkar, Appl. Stat. 37, 87
(1988)), all quantities, both sides and both levels in one batch. With g = J'r, H = J'J (baseline projected out),
delta = H^-1 g and v = H^-1 grad q the step is delta + a v, a = sqrt((chi^2_min + Delta - chi^2 + g'delta)/(grad q' v)).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from app.core.optics.results import FloatArray
from app.core.optics.samples import Samples
from app.core.optics.varpro import Point, Shape, held_solve, leaving, safe_evaluate

Derived = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""m derived parameters (K, m) and their derivatives (K, m, P) at p (K, P)."""

_NORMAL_68, _NORMAL_95 = 1.0, 1.959963984540054
_NEAR = 0.01
"""How close chi^2 must come to its target, in units of the rise: half of it is the error of the end in sigma."""
_SHORT = 0.2
_ITERATIONS = 14


def quantiles(dof: float) -> tuple[float, float]:
    """Student's t for two-sided 68.27 % and 95 % at `dof` degrees of freedom."""
    dof = max(dof, 1.0)
    return _student(_NORMAL_68, dof), _student(_NORMAL_95, dof)


def _student(z: float, v: float) -> float:
    """Student's t quantile from the normal one z: Cornish-Fisher series in 1/v, from scipy below 12.

    Abramowitz & Stegun 26.7.5; at v = 12 the series is good to 2e-5; scipy is slow to import.
    """
    if v < 12:
        from scipy.special import ndtr, stdtrit

        return float(stdtrit(v, ndtr(z)))
    g1 = (z**3 + z) / 4
    g2 = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    g3 = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    g4 = (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160
    return z + g1 / v + g2 / v**2 + g3 / v**3 + g4 / v**4


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
    derived: Derived,
    weights: FloatArray,
    variance: float,
    dof: float,
) -> Profile:
    """Ends of the quantities `weights` (nq, m) x derived parameters for the optimum `best` (K = 1).

    `variance` is that of an independent sample.

    The 68 % ends lie on a cubic in the signed root of the rise, through both 95 % ends and the optimum with its
    slope; where a 95 % end was not reached they are sought by themselves.
    """
    t68, t95 = quantiles(dof)
    problem = _Problem(shape, samples, best, free, derived, weights, variance)
    nq = len(weights)
    wide = _reached(problem, np.arange(nq), t95)
    centre, along, sigma = _at_optimum(problem)
    narrow = _between(wide, centre, best.p[0], along, sigma, t68, t95)
    lost = np.flatnonzero(wide.at_bound.any(axis=1))
    if len(lost):
        again = _reached(problem, lost, t68)
        narrow.values[lost], narrow.points[lost], narrow.at_bound[lost] = again.values, again.points, again.at_bound
    return Profile(
        centre,
        np.concatenate([narrow.values, wide.values], axis=1),
        np.concatenate([narrow.points, wide.points], axis=1),
        np.concatenate([narrow.at_bound, wide.at_bound], axis=1),
    )


@dataclass(frozen=True, eq=False)
class _Problem:
    shape: Shape
    samples: Samples
    best: Point
    free: np.ndarray
    derived: Derived
    weights: FloatArray
    variance: float


@dataclass(frozen=True, eq=False)
class _Ends:
    """Low and high end of each quantity: values (nq, 2), points (nq, 2, P), at_bound (nq, 2)."""

    values: FloatArray
    points: FloatArray
    at_bound: np.ndarray


def _at_optimum(problem: _Problem) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each quantity (nq,), the direction (nq, P) in which it grows per sigma, and its sigma (nq,)."""
    nq = len(problem.weights)
    here = problem.best.pick(np.zeros(nq, dtype=np.intp))
    centre, gradient = _of(problem, here.p, np.arange(nq))
    v = held_solve(here.h, gradient, np.broadcast_to(~problem.free, here.p.shape))
    sigma = np.sqrt(np.maximum((gradient * v).sum(1), 0.0) * problem.variance)
    return centre, v * (problem.variance / np.maximum(sigma, 1e-300))[:, None], sigma


def _between(
    wide: _Ends, centre: FloatArray, best: FloatArray, along: FloatArray, sigma: FloatArray, t68: float, t95: float
) -> _Ends:
    """Ends at t68 from those at t95."""

    def inner(middle: FloatArray, slope: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
        even = (0.5 * (high + low) - middle) * (t68 / t95) ** 2
        cubic = 0.5 * (high - low) - slope * t95
        odd = slope * t68 + cubic * (t68 / t95) ** 3
        return np.stack([middle + even - odd, middle + even + odd], axis=1)

    values = inner(centre, sigma, wide.values[:, 0], wide.values[:, 1])
    points = inner(np.broadcast_to(best, along.shape), along, wide.points[:, 0], wide.points[:, 1])
    return _Ends(values, points, np.zeros_like(wide.at_bound))


def _reached(problem: _Problem, which: np.ndarray, t: float) -> _Ends:
    """Both ends of the quantities at `which`, where chi^2 has risen by t^2."""
    shape, best = problem.shape, problem.best
    owner = np.repeat(which, 2)
    sign = np.tile([-1.0, 1.0], len(which))
    level = t**2 * problem.variance
    target = best.rss[0] + level
    here = best.pick(np.zeros(len(owner), dtype=np.intp))
    open_ = np.arange(len(owner))
    stride = np.ones(len(owner))
    for turn in range(_ITERATIONS):
        now = here.pick(open_)
        _, gradient = _of(problem, now.p, owner[open_])
        with np.errstate(all="ignore"):
            d, predicted = _step(shape, now, sign[open_, None] * gradient, target, problem.free)
            pace = stride[open_]
            moved = np.minimum(np.maximum(now.p + d * pace[:, None], shape.low), shape.high)
            there = safe_evaluate(shape, problem.samples, moved, now.b)
        rise, before = there.rss - best.rss[0], now.rss - best.rss[0]
        wild = ~np.isfinite(there.rss) | (rise > 6.0 * level + 2.0 * before)
        stride[open_] = np.where(wild, pace * 0.5, np.minimum(1.0, pace * 2.0))
        kept = there.where(~wild, now) if wild.any() else there
        for mine, theirs in (
            (here.p, kept.p),
            (here.rss, kept.rss),
            (here.g, kept.g),
            (here.h, kept.h),
            (here.b, kept.b),
        ):
            mine[open_] = theirs
        # The first step is right where chi^2 is quadratic; of later ones about their square is left.
        done = ~wild & (np.abs(there.rss - target) < _NEAR * level)
        done &= (turn == 0) | (predicted * pace < _SHORT)
        open_ = open_[~done & (stride[open_] > 1e-3)]
        if not len(open_):
            break
    value, _ = _of(problem, here.p, owner)
    inside = here.rss < target - 0.02 * level
    bound = inside & ((here.p <= shape.low) | (here.p >= shape.high) | (stride <= 1e-3)[:, None]).any(axis=1)
    return _Ends(value.reshape(-1, 2), here.p.reshape(len(which), 2, -1), bound.reshape(-1, 2))


def _of(problem: _Problem, p: FloatArray, owner: np.ndarray) -> tuple[FloatArray, FloatArray]:
    """Each problem's own quantity (K,) and gradient (K, P); `owner` (K,) is the quantity of each."""
    derived, slopes = problem.derived(p)
    w = problem.weights[owner]
    return (w * derived).sum(1), (w[:, None, :] @ slopes)[:, 0]


def _step(
    shape: Shape, here: Point, gradient: FloatArray, target: float, free: np.ndarray
) -> tuple[FloatArray, FloatArray]:
    """The step of each problem (K, P), and its length in units of the level (K,) along the quantity."""
    held = np.broadcast_to(~free, here.p.shape).copy()
    d = np.zeros_like(here.p)
    relative = np.zeros(len(here.p))
    for _ in range(2):
        delta = held_solve(here.h, here.g, held)
        v = held_solve(here.h, gradient, held)
        room = target - here.rss + (here.g * delta).sum(1)
        reach = (gradient * v).sum(1)
        a = np.sqrt(np.maximum(room, 0.0) / np.maximum(reach, 1e-300))
        d = delta + a[:, None] * v
        size = np.sqrt(np.maximum(reach * np.maximum(room, 1e-300), 1e-300))
        relative = np.abs((gradient * d).sum(1)) / size
        out = leaving(shape.low, shape.high, here.p, d) & ~held
        if not out.any():
            break
        held |= out
    return np.where(held, 0.0, d), relative
