"""Fits of one window: baseline alone, single dip, split dip in both regimes; start values from the data.

Everything here is in scaled units: z in start widths from the start centre, y in baseline levels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from app.core.optics.guess import Dip
from app.core.optics.lineshapes import pair, single, split
from app.core.optics.results import FloatArray
from app.core.optics.samples import Samples, gathered
from app.core.optics.varpro import Point, Shape, minimise

ETA_SMALLEST = 1e-4
NARROWEST = 1e-4  # of the start width
_WORTH = 4.0  # chi^2 a pair must gain on the single dip before its widths are freed
_HOPELESS = 1e4  # chi^2 by which a regime loses beyond appeal
_SINGLE_FREE = np.array([True, True, True])
_COMMON_FREE = np.array([True, True, True, True, False])
_UNEQUAL_FREE = np.array([True, True, True, True, True])


@dataclass(frozen=True, eq=False)
class Fitted:
    """An optimum with its shape, free parameters and start; `rss` counts what is lost between bins too."""

    shape: Shape
    free: np.ndarray
    point: Point
    start: FloatArray
    samples: Samples

    @property
    def p(self) -> FloatArray:
        """Parameters (P,)."""
        return self.point.p[0]

    @property
    def b(self) -> FloatArray:
        """Baseline (3,)."""
        return self.point.b[0]

    @property
    def rss(self) -> float:
        """Residual sum of squares over the samples as gathered."""
        return float(self.point.rss[0])

    @property
    def size(self) -> int:
        """Number of free parameters, baseline counted."""
        return int(self.free.sum()) + 3


@dataclass(frozen=True, eq=False)
class Candidates:
    """All fits of one window on the same samples; split ones are None where they did not converge in the box."""

    samples: Samples
    flat_rss: float
    single: Fitted
    under: Fitted | None
    over: Fitted | None
    unequal_under: Fitted | None
    unequal_over: Fitted | None


def single_shape(z: FloatArray) -> Shape:
    """Centre within the window, width up to three windows, contrast from nothing to a little above one."""
    span = float(z[-1] - z[0])
    low = np.array([float(z[0]) - 0.25 * span, NARROWEST, -1.0])
    high = np.array([float(z[-1]) + 0.25 * span, 3.0 * span, 1.5])
    return Shape(single, low, high, lambda p: np.ones(len(p), dtype=bool), 3)


def split_shape(z: FloatArray, eta_low: float = ETA_SMALLEST, eta_high: float = 1.0 - ETA_SMALLEST) -> Shape:
    """Split dip with the coupled share eta = kappa_ex/kappa in a range: below 0.5 under-, above over-coupled."""
    span = float(z[-1] - z[0])
    reach = (0.75 * span) ** 2
    low = np.array([float(z[0]), NARROWEST, eta_low, 0.0, -reach])
    high = np.array([float(z[-1]), 3.0 * span, eta_high, reach, reach])
    return Shape(split, low, high, _widths_positive, 5)


def _widths_positive(p: FloatArray) -> np.ndarray:
    """Both modes' intrinsic widths stay above nothing."""
    g_i = np.abs(np.sqrt(p[:, 3] + 1j * p[:, 4]).imag)
    return np.asarray(2.0 * g_i <= p[:, 1] * (1.0 - p[:, 2]))


def flat_rss(samples: Samples) -> float:
    """Residual sum of squares of the baseline alone."""
    weighted = samples.u * samples.weight
    b = np.linalg.solve(weighted @ samples.u.T, weighted @ samples.y)
    r = samples.y - b @ samples.u
    return float((r * r) @ samples.weight)


def refined(fitted: Fitted, samples: Samples) -> Fitted:
    """The fit again on other samples."""
    point = minimise(fitted.shape, samples, fitted.point.p, fitted.free, iterations=10)
    return replace(fitted, samples=samples, point=point)


def fit_single(samples: Samples, dip: Dip) -> Fitted:
    """Lorentz dip from starts of a third, once and three times the width found."""
    shape = single_shape(samples.z)
    depth = min(max(dip.depth, 1e-3), 0.98)
    starts = np.array([[dip.centre, dip.width * f, depth] for f in (1.0, 0.4, 2.5)])
    point = minimise(shape, samples, starts, _SINGLE_FREE, iterations=9, tolerance=0.1)
    best = int(np.argmin(np.where(point.p[:, 2] > 0, point.rss, np.inf)))
    return Fitted(shape, _SINGLE_FREE, point.pick([best]), starts[best], samples)


def split_starts(fitted: Fitted, dip: Dip) -> FloatArray:
    """Starts (K, 5) with the two modes apart: at fractions of the single width, and at two dips seen."""
    z0, w, c = fitted.p
    c = float(np.clip(c, 0.02, 0.98))
    root = np.sqrt(1.0 - c)
    eta = 0.5 * (1.0 - root)
    rows = [[z0, w * h, eta, (w * f) ** 2, 0.0] for f, h in ((0.15, 0.9), (0.32, 0.7), (0.45, 0.35))]
    if dip.second is not None:
        resolved = min(max(1.0 - np.sqrt(max(1.0 - dip.depth, 0.0)), 0.02), 0.9)
        apart = 0.5 * abs(dip.second - dip.centre)
        width = min(dip.width, 1.5 * apart)
        rows.append([0.5 * (dip.second + dip.centre), width, resolved, apart**2, 0.0])
    return np.array(rows)


def fit_split(samples: Samples, starts: FloatArray) -> tuple[Fitted | None, Fitted | None]:
    """Best split dip with common widths in each regime, under and over."""
    k = len(starts)
    mirrored = starts.copy()
    mirrored[:, 2] = 1.0 - np.minimum(starts[:, 2], 0.45)
    both = np.concatenate([starts, mirrored])
    both[:k, 2] = np.minimum(both[:k, 2], 0.45)
    box = split_shape(samples.z)
    low, high = np.tile(box.low, (2 * k, 1)), np.tile(box.high, (2 * k, 1))
    high[:k, 2], low[k:, 2] = 0.5, 0.5
    shape = replace(box, low=low, high=high)
    point = minimise(shape, samples, both, _COMMON_FREE, iterations=7, tolerance=0.3)
    found: list[Fitted | None] = []
    hopeless = _HOPELESS * float(point.rss.min()) / max(samples.total - 7, 1)
    for part, limits in ((slice(0, k), (ETA_SMALLEST, 0.5)), (slice(k, 2 * k), (0.5, 1.0 - ETA_SMALLEST))):
        mine = point.pick(part)
        best = int(np.argmin(mine.rss))
        if not np.isfinite(mine.rss[best]) or mine.rss[best] - point.rss.min() > hopeless:
            found.append(None)
            continue
        shape = split_shape(samples.z, *limits)
        final = minimise(shape, samples, mine.p[[best]], _COMMON_FREE)
        found.append(Fitted(shape, _COMMON_FREE, final, both[part][best], samples))
    return found[0], found[1]


def fit_pair(fitted: Fitted) -> Fitted:
    """Two unrelated dips where a split one was fitted: what a pair of separate modes looks like."""
    p = fitted.p
    g = complex(np.sqrt(complex(p[3], p[4])))
    depth = 1.0 - (1.0 - p[2]) ** 2
    one, two = (p[1] + 2.0 * side * g.imag for side in (-1, 1))
    start = np.array([[p[0] - g.real, one, depth, p[0] + g.real, two, depth]])
    box = single_shape(fitted.samples.z)
    shape = Shape(pair, np.tile(box.low, 2), np.tile(box.high, 2), box.feasible, 6)
    free = np.ones(6, dtype=bool)
    return Fitted(shape, free, minimise(shape, fitted.samples, start, free), start[0], fitted.samples)


def free_widths(fitted: Fitted) -> Fitted | None:
    """The split dip again with each mode's own width."""
    p = fitted.p
    nudge = 0.02 * p[1] * max(np.sqrt(p[3]), 0.1 * p[1])
    starts = np.array([[*p[:4], nudge], [*p[:4], -nudge]])
    point = minimise(fitted.shape, fitted.samples, starts, _UNEQUAL_FREE)
    best = int(np.argmin(point.rss))
    if not np.isfinite(point.rss[best]):
        return None
    return Fitted(fitted.shape, _UNEQUAL_FREE, point.pick([best]), fitted.start, fitted.samples)


def fit_all(z: FloatArray, y: FloatArray, dip: Dip) -> Candidates:
    """Every shape fitted to the window: z (n,) rising and y (n,) scaled, `dip` in the same units."""
    centres = np.array([dip.centre] if dip.second is None else sorted((dip.centre, dip.second)))
    samples = gathered(z, y, centres, dip.width)
    one = fit_single(samples, dip)
    under, over = fit_split(samples, split_starts(one, dip))
    # The bins must be fine where and as the fits now say.
    modes = [(one.p[0], one.p[1])]
    for fitted in (under, over):
        if fitted is not None and fitted.rss < 0.98 * one.rss:
            apart = np.sqrt(fitted.p[3])
            modes += [(fitted.p[0] - apart, fitted.p[1]), (fitted.p[0] + apart, fitted.p[1])]
    finest = max(min(w for _, w in modes), 1e-3)
    samples = gathered(z, y, np.unique([c for c, _ in modes]), finest)
    one = refined(one, samples)
    pair_ = [None if f is None else refined(f, samples) for f in (under, over)]
    worth = _WORTH * one.rss / max(samples.total - one.size, 1)
    unequal = [None if f is None or one.rss - f.rss < worth else free_widths(f) for f in pair_]
    return Candidates(samples, flat_rss(samples), one, pair_[0], pair_[1], unequal[0], unequal[1])


def covariance(fitted: Fitted, variance: float) -> FloatArray:
    """Covariance (P + 3, P + 3) of parameters and baseline, zero for what was held."""
    s = fitted.samples
    t, dt = fitted.shape.model(fitted.p, s.z)
    j = np.concatenate([dt[fitted.free] * (fitted.b @ s.u), t * s.u])
    information = (j * s.weight) @ j.T
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information), 1e-300))
    inverse = np.linalg.pinv(information * np.outer(scale, scale), hermitian=True) * np.outer(scale, scale)
    free = np.concatenate([fitted.free, [True] * 3])
    out = np.zeros((len(free), len(free)))
    out[np.ix_(free, free)] = inverse * variance
    return out
