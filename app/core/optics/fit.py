"""Fits of one window: baseline alone, single dip, split dip in both regimes; start values from the data.

Everything here is in scaled units: z in start widths from the start centre, y in baseline levels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from app.core.optics.guess import Dip
from app.core.optics.lineshapes import pair, single, split
from app.core.optics.results import FloatArray
from app.core.optics.samples import PLAIN_LIMIT, Samples, gathered
from app.core.optics.varpro import Point, Shape, minimise

ETA_SMALLEST = 1e-4
NARROWEST = 1e-4  # of the start width
_WORTH = 4.0  # chi^2 a pair must gain on the single dip before its widths are freed
_HOPELESS = 1e3  # chi^2 by which a regime loses beyond appeal
_LAST_STEP = 0.05  # in sigma: of a step so short about its square is left
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
    kind: str = ""
    """`single`, `split`, or a dip with one more parameter (see `rivals`); from its size where not said."""

    def __post_init__(self) -> None:
        if not self.kind:
            object.__setattr__(self, "kind", "single" if self.shape.size == 3 else "split")

    @property
    def split(self) -> bool:
        """Whether it is a pair of modes."""
        return self.kind == "split"

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
    # (2 g_i)^2 = 2 (|g^2| - Re g^2)
    twice = 2.0 * (np.hypot(p[:, 3], p[:, 4]) - p[:, 3])
    return np.asarray(twice <= (p[:, 1] * (1.0 - p[:, 2])) ** 2)


def flat_rss(samples: Samples) -> float:
    """Residual sum of squares of the baseline alone."""
    weighted = samples.u * samples.weight
    b = np.linalg.solve(weighted @ samples.u.T, weighted @ samples.y)
    r = samples.y - b @ samples.u
    return float((r * r) @ samples.weight)


def refined(fitted: Fitted, samples: Samples) -> Fitted:
    """The fit again, to the last digit that matters, on these samples."""
    point = minimise(fitted.shape, samples, fitted.point.p, fitted.free, b=fitted.point.b, iterations=10)
    return replace(fitted, samples=samples, point=point)


def fit_single(samples: Samples, dip: Dip) -> Fitted:
    """Lorentz dip from starts of a third, once and three times the width found."""
    shape = single_shape(samples.z)
    depth = min(max(dip.depth, 1e-3), 0.98)
    starts = np.array([[dip.centre, dip.width * f, depth] for f in (1.0, 0.4, 2.5)])
    point = minimise(shape, samples, starts, _SINGLE_FREE, iterations=9, tolerance=0.1, hopeless=_HOPELESS)
    best = int(np.argmin(np.where(point.p[:, 2] > 0, point.rss, np.inf)))
    return Fitted(shape, _SINGLE_FREE, point.pick([best]), starts[best], samples)


def split_starts(fitted: Fitted) -> FloatArray:
    """Starts (K, 5) with the two modes apart at fractions of the single width."""
    z0, w, c = fitted.p
    eta = 0.5 * (1.0 - np.sqrt(1.0 - float(np.clip(c, 0.02, 0.98))))
    return np.array([[z0, w * h, eta, (w * f) ** 2, 0.0] for f, h in ((0.15, 0.9), (0.32, 0.7), (0.45, 0.35))])


def seen_start(dip: Dip, second: float) -> FloatArray:
    """Start (5,) at two dips seen apart: each has the floor (1 - eta)^2."""
    eta = min(max(1.0 - np.sqrt(max(1.0 - dip.depth, 0.0)), 0.02), 0.45)
    apart = 0.5 * abs(second - dip.centre)
    return np.array([0.5 * (second + dip.centre), min(dip.width, 1.5 * apart), eta, apart**2, 0.0])


_ETA = {"single": (ETA_SMALLEST, 0.5), "under": (ETA_SMALLEST, 0.5), "over": (0.5, 1.0 - ETA_SMALLEST)}
_FREE = {"single": np.array([True, True, True, False, False]), "common": _COMMON_FREE, "unequal": _UNEQUAL_FREE}


@dataclass(frozen=True)
class _Row:
    """One problem of a batch: regime "single" (no splitting), "under" or "over", widths "common" or "unequal"."""

    regime: str
    widths: str
    start: FloatArray


def _fit_rows(
    samples: Samples,
    rows: list[_Row],
    iterations: int,
    tolerance: float,
    hopeless: float = _HOPELESS,
    patience: int = 4,
) -> list[Fitted]:
    """All rows fitted at once, each in its own box."""
    box = split_shape(samples.z)
    low, high = np.tile(box.low, (len(rows), 1)), np.tile(box.high, (len(rows), 1))
    low[:, 2], high[:, 2] = np.array([_ETA[row.regime] for row in rows]).T
    free = np.array([_FREE["single" if row.regime == "single" else row.widths] for row in rows])
    starts = np.array([row.start for row in rows])
    shape = replace(box, low=low, high=high)
    point = minimise(
        shape,
        samples,
        starts,
        free,
        iterations=iterations,
        tolerance=tolerance,
        hopeless=hopeless,
        patience=patience,
    )
    return [
        Fitted(replace(box, low=low[i], high=high[i]), free[i], point.pick([i]), starts[i], samples)
        for i in range(len(rows))
    ]


def _mirrored(start: FloatArray) -> FloatArray:
    """The same dip over-coupled."""
    out = start.copy()
    out[2] = 1.0 - min(start[2], 0.45)
    return out


def _as_single(fitted: Fitted) -> Fitted:
    """A row without splitting as a Lorentz dip of contrast 4 eta (1 - eta)."""
    z0, w, eta = (float(v) for v in fitted.p[:3])
    p = np.array([[z0, w, 4.0 * eta * (1.0 - eta)]])
    start = np.array([fitted.start[0], fitted.start[1], 4.0 * fitted.start[2] * (1.0 - fitted.start[2])])
    h = np.tile(np.eye(3), (1, 1, 1))
    point = Point(p, fitted.point.rss, np.zeros((1, 3)), h, fitted.point.b)
    return Fitted(single_shape(fitted.samples.z), _SINGLE_FREE, point, start, fitted.samples)


def _two_seen(samples: Samples, dip: Dip, second: float) -> Candidates:
    """Every shape at once where two dips are seen apart."""
    start = seen_start(dip, second)
    over = _mirrored(start)
    alone = np.array([dip.centre, dip.width, 0.5 * (1.0 - np.sqrt(max(1.0 - dip.depth, 0.0))), 0.0, 0.0])
    rows = [
        _Row("under", "common", start),
        _Row("over", "common", over),
        _Row("under", "unequal", start),
        _Row("single", "common", alone),
        _Row("single", "common", np.array([start[0], 2.0 * np.sqrt(start[3]) + start[1], start[2], 0.0, 0.0])),
    ]
    hopeless = max(_HOPELESS, 10.0 * len(samples.z))
    under, over_, unequal_under, *ones = _fit_rows(samples, rows, 12, _LAST_STEP, hopeless, 1)
    unequal_over = over_
    if over_.rss < np.inf and _kept(under, over_)[1] is not None:
        (unequal_over,) = _fit_rows(samples, [_Row("over", "unequal", over_.p)], 20, _LAST_STEP)
    if unequal_under.rss > under.rss:
        # Free widths can lose their way where common ones do not.
        (unequal_under,) = _fit_rows(samples, [_Row("under", "unequal", under.p)], 20, _LAST_STEP)
    one = _as_single(min(ones, key=lambda f: f.rss))
    return Candidates(samples, flat_rss(samples), one, *_kept(under, over_, unequal_under, unequal_over))


def _kept(*fits: Fitted) -> tuple[Fitted | None, ...]:
    """Fits that lead to nothing as None."""
    least = min(f.rss for f in fits)
    limit = least * (1.0 + _HOPELESS / max(len(fits[0].samples.z) - 7, 1))
    return tuple(f if np.isfinite(f.rss) and f.rss <= limit else None for f in fits)


def _none_seen(samples: Samples, dip: Dip, one: Fitted) -> Candidates:
    """Splits sought beside the single dip `one`, where no second dip stands by itself."""
    starts = list(split_starts(one))
    if dip.second is not None:
        starts.append(seen_start(dip, dip.second))
    rows = [_Row("under", "common", s) for s in starts] + [_Row("over", "common", _mirrored(s)) for s in starts]
    rough = _fit_rows(samples, rows, 7, 0.3)
    half = len(starts)
    best = [min(part, key=lambda f: f.rss) for part in (rough[:half], rough[half:])]
    worth = _WORTH * one.rss / max(len(samples.z) - one.size, 1)
    rows = []
    for regime, fitted in zip(("under", "over"), best, strict=True):
        p = fitted.p
        rows.append(_Row(regime, "common", p))
        if one.rss - fitted.rss >= worth:
            nudge = 0.02 * p[1] * max(np.sqrt(p[3]), 0.1 * p[1])
            rows += [_Row(regime, "unequal", np.array([*p[:4], sign * nudge])) for sign in (1.0, -1.0)]
    fits = _fit_rows(samples, rows, 40, _LAST_STEP)

    def best_of(regime: str, widths: str) -> Fitted | None:
        mine = [f for row, f in zip(rows, fits, strict=True) if (row.regime, row.widths) == (regime, widths)]
        return min(mine, key=lambda f: f.rss) if mine else None

    pairs = [best_of(regime, widths) for widths in ("common", "unequal") for regime in ("under", "over")]
    least = min(f.rss for f in pairs if f is not None)
    limit = least * (1.0 + _HOPELESS / max(len(samples.z) - 7, 1))
    pairs = [f if f is not None and np.isfinite(f.rss) and f.rss <= limit else None for f in pairs]
    return Candidates(samples, flat_rss(samples), one, *pairs)


def fit_from(z: FloatArray, y: FloatArray, start: FloatArray) -> Fitted:
    """One shape fitted to z (n,) rising, y (n,) from `start`: (3,) a single dip, (5,) an under-coupled pair.

    Units as everywhere here: widths near 1, a baseline near 1.
    """
    if len(start) == 3:
        samples = gathered(z, y, start[:1], float(start[1]))
        shape, free = single_shape(samples.z), _SINGLE_FREE
    else:
        apart = float(np.sqrt(start[3]))
        samples = gathered(z, y, np.array([start[0] - apart, start[0] + apart]), float(start[1]))
        shape, free = split_shape(samples.z, *_ETA["under"]), _UNEQUAL_FREE
    return Fitted(shape, free, minimise(shape, samples, start[None], free, tolerance=_LAST_STEP), start, samples)


def refit_without(z: FloatArray, y: FloatArray, kept: np.ndarray, fitted: Fitted) -> float | None:
    """Width of the same shape through the samples `kept` (n,) alone; None where too few are left."""
    if np.count_nonzero(kept) < 2 * (fitted.size + 1):
        return None
    centres = np.array([fitted.p[0]])
    if fitted.split:
        apart = float(np.sqrt(complex(fitted.p[3], fitted.p[4])).real)
        centres = np.array([fitted.p[0] - apart, fitted.p[0] + apart])
    samples = gathered(z[kept], y[kept], centres, float(fitted.p[1]))
    point = minimise(fitted.shape, samples, fitted.point.p, fitted.free, b=fitted.point.b)
    return float(point.p[0, 1]) if np.isfinite(point.rss[0]) else None


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
    return Fitted(
        shape,
        free,
        minimise(shape, fitted.samples, start, free, iterations=12, tolerance=0.3),
        start[0],
        fitted.samples,
    )


def fit_all(z: FloatArray, y: FloatArray, dip: Dip, noise: float) -> Candidates:
    """Every shape fitted to the window: z (n,) rising and y (n,) scaled, `dip` and `noise` in the same units."""
    centres = np.array([dip.centre] if dip.second is None else sorted((dip.centre, dip.second)))
    samples = gathered(z, y, centres, dip.width)
    if dip.second is not None:
        found = _two_seen(samples, dip, dip.second)
        split = min((f for f in (found.under, found.over) if f is not None), key=lambda f: f.rss, default=None)
        if split is not None and split.rss < _good(len(samples.z)) * noise * noise * len(samples.z):
            return _on_finer(found, z, y, centres, dip.width)
    one = fit_single(samples, dip)
    found = _none_seen(samples, dip, refined(one, samples))
    return _on_finer(found, z, y, centres, dip.width)


def _good(points: int) -> float:
    """Variance over that of the noise, below which two dips seen apart need no other start."""
    return 1.1 + 2.0 * float(np.sqrt(2.0 / points))


def _on_finer(found: Candidates, z: FloatArray, y: FloatArray, centres: FloatArray, width: float) -> Candidates:
    """The fits again on bins that are fine where and as they now say, unless those they had were."""
    one = found.single
    modes = [(one.p[0], one.p[1])]
    for fitted in (found.under, found.over, found.unequal_under, found.unequal_over):
        if fitted is not None and fitted.rss < 0.98 * one.rss:
            apart = np.sqrt(complex(fitted.p[3], fitted.p[4])).real
            modes = modes[1:] if len(modes) == 1 and fitted.rss < 0.5 * one.rss else modes
            modes += [(fitted.p[0] - apart, fitted.p[1]), (fitted.p[0] + apart, fitted.p[1])]
    finest = max(min(w for _, w in modes), 1e-3)
    far = max(float(np.min(np.abs(centres - c))) for c, _ in modes)
    if (finest > 0.6 * width and far < 0.7 * width) or len(z) <= PLAIN_LIMIT:
        return found
    samples = gathered(z, y, np.unique([c for c, _ in modes]), finest)
    again = [f if f is None else refined(f, samples) for f in (found.under, found.over)]
    unequal = [f if f is None else refined(f, samples) for f in (found.unequal_under, found.unequal_over)]
    return Candidates(samples, flat_rss(samples), refined(one, samples), again[0], again[1], unequal[0], unequal[1])


def covariance(fitted: Fitted, variance: float) -> FloatArray:
    """Covariance (P + 3, P + 3) of parameters and baseline, zero for what was held."""
    s = fitted.samples
    t, dt = fitted.shape.model(fitted.p, s.z)
    j = np.concatenate([dt[fitted.free] * (fitted.b @ s.u), t * s.u])
    information = (j * s.weight) @ j.T
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information), 1e-300))
    outer = scale[:, None] * scale
    try:
        inverse = np.linalg.inv(information * outer) * outer
    except np.linalg.LinAlgError:
        inverse = np.linalg.pinv(information * outer, hermitian=True) * outer
    free = np.concatenate([fitted.free, [True] * 3])
    out = np.zeros((len(free), len(free)))
    out[np.ix_(free, free)] = inverse * variance
    return out
