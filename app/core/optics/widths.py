"""From a fitted shape to its quantities with profile intervals, back in MHz."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from app.core.optics import split_quantities as sq
from app.core.optics.evidence import Noise
from app.core.optics.fit import Fitted
from app.core.optics.profile import Profile, profile, quantiles
from app.core.optics.results import FloatArray, Measured, Reading
from app.core.optics.rivals import coupled_share
from app.core.optics.varpro import held_solve

_CONTOUR = 6  # half as many directions as support points of the contour
_FINE = 240
_DIRECTIONS = np.array([f(np.arange(_CONTOUR) * np.pi / _CONTOUR) for f in (np.cos, np.sin)])


@dataclass(frozen=True)
class Ends:
    """Value and ends of the 68.3 % and 95 % intervals; a `None`-like end is nan or infinite."""

    value: float
    low68: float
    high68: float
    low95: float
    high95: float

    def scaled(self, by: float) -> Ends:
        """All values times `by` (> 0)."""
        return Ends(*(v * by for v in (self.value, self.low68, self.high68, self.low95, self.high95)))

    def shifted(self, by: float) -> Ends:
        """All values plus `by`."""
        return Ends(*(v + by for v in (self.value, self.low68, self.high68, self.low95, self.high95)))

    def inverse(self, numerator: float) -> Ends:
        """numerator / value of a width: ends change places, and one at or below zero becomes unbounded."""

        def over(v: float) -> float:
            return numerator / v if 0 < v < np.inf else np.inf

        return Ends(*(over(v) for v in (self.value, self.high68, self.low68, self.high95, self.low95)))

    def measured(self, rel_sigma: float | None = None) -> Measured:
        """As reported; `rel_sigma` of the axis is added in quadrature to both sides."""
        extra = abs(self.value) * (rel_sigma or 0.0)
        half68 = 0.5 * (self.high68 - self.low68)
        sigma = float(np.hypot(half68, extra)) if np.isfinite(half68) else None
        below, above = self.value - self.low95, self.high95 - self.value
        low = self.value - float(np.hypot(below, 1.959964 * extra)) if np.isfinite(below) else None
        high = self.value + float(np.hypot(above, 1.959964 * extra)) if np.isfinite(above) else None
        return Measured(self.value, sigma, low, high)


def _bounded(e: Ends, largest: float) -> Ends:
    """A width whose end stopped at the limits of the search has no end there."""
    low68, low95 = (v if v > 1e-4 * e.value else np.nan for v in (e.low68, e.low95))
    high68, high95 = (v if v < 0.9 * largest else np.inf for v in (e.high68, e.high95))
    return Ends(e.value, low68, high68, low95, high95)


@dataclass(frozen=True)
class Widths:
    """All that is reported of one shape, scaled units: modes by rising frequency."""

    detunings: tuple[Ends, ...]
    linewidths: tuple[Ends, ...]
    intrinsic: tuple[Ends, ...]
    mean_intrinsic: Ends
    coupling: Ends
    splitting: Ends | None
    contrast: Ends
    near_critical: bool


def single_widths(fitted: Fitted, noise: Noise, reading: Reading, laser: float = 0.0) -> Widths:
    """Single dip. w and contrast have a regular profile region; what follows from both is read off its contour.

    kappa_0 = w (1 - eta), eta = (1 -+ sqrt(1 - C))/2 under- and over-coupled: not regular at critical coupling,
    which is why it is not profiled by itself. `laser`: full width of a Lorentz laser line to be taken off.
    """
    cov = np.linalg.inv(fitted.point.h[0])[1:3, 1:3] * noise.independent_variance
    root = np.linalg.cholesky(cov + 1e-24 * np.diag(np.diagonal(cov)) + 1e-300 * np.eye(2))
    weights = np.zeros((_CONTOUR + 1, fitted.shape.size))
    weights[0, 0] = 1.0
    weights[1:, 1:3] = np.linalg.solve(root.T, _DIRECTIONS).T
    found = profile(
        fitted.shape,
        fitted.samples,
        fitted.point,
        fitted.free,
        _themselves,
        weights,
        noise.independent_variance,
        noise.dof,
    )
    contours = tuple(_contour(found, side) for side in (0, 2))
    w, c = float(fitted.p[1]), float(fitted.p[2])
    over = reading == "over"
    fano = float(fitted.p[3]) if fitted.kind == "fano" else 0.0

    laser = min(laser, 0.9 * w)

    def of(f: Callable[[FloatArray, FloatArray], FloatArray]) -> Ends:
        (w68, c68), (w95, c95) = contours
        at68, at95 = f(*_without(laser, w68, c68)), f(*_without(laser, w95, c95))
        value = float(f(*_without(laser, np.array([w]), np.array([c])))[0])
        return Ends(value, float(at68.min()), float(at68.max()), float(at95.min()), float(at95.max()))

    width = of(lambda w_, _: w_)
    intrinsic = of(lambda w_, c_: w_ * (1.0 - coupled_share(c_, fano, over)))
    coupled = of(lambda w_, c_: w_ * coupled_share(c_, fano, over))
    contrast = of(lambda _, c_: 0.5 * (c_ + np.hypot(c_, fano)))
    centre = _ends(found, 0)
    width, intrinsic, coupled = (_bounded(e, float(fitted.shape.high[1])) for e in (width, intrinsic, coupled))
    return Widths((centre,), (width,), (intrinsic,), intrinsic, coupled, None, contrast, bool(contrast.high95 >= 1.0))


def _without(laser: float, w: FloatArray, c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Width and contrast before a Lorentz laser line of width `laser` smeared them: widths add, areas stay."""
    if not laser:
        return w, c
    own = np.maximum(w - laser, 1e-3 * w)
    return own, c * w / own


def _contour(found: Profile, side: int) -> tuple[FloatArray, FloatArray]:
    """(w, contrast) along the edge of the region: support points joined by a trigonometric polynomial."""
    low, high = found.points[1:, side, 1:3], found.points[1:, side + 1, 1:3]
    ring = np.concatenate([high, low])  # direction angle rising through a full turn
    spectrum = np.fft.rfft(ring, axis=0)
    spectrum[-1] *= 0.5  # the highest wave of an even number of points stands for two
    fine = np.fft.irfft(spectrum, _FINE, axis=0) * (_FINE / len(ring))
    return np.maximum(fine[:, 0], 1e-12), fine[:, 1]


def _ends(found: Profile, i: int) -> Ends:
    return Ends(float(found.centre[i]), *(float(v) for v in found.values[i]))


def split_widths(fitted: Fitted, noise: Noise) -> Widths:
    """Split dip: each quantity has its own profile, but for the contrast."""
    unequal = bool(fitted.free[4])
    sides = (-1, 1) if unequal else (1,)
    weights = [sq.detuning(-1), sq.detuning(1), sq.SPLITTING, sq.COUPLING, sq.MEAN_INTRINSIC]
    weights += [sq.width(side) for side in sides]
    if unequal:
        weights += [sq.intrinsic(side) for side in sides]
    found = profile(
        fitted.shape,
        fitted.samples,
        fitted.point,
        fitted.free,
        sq.derived,
        np.array(weights),
        noise.independent_variance,
        noise.dof,
    )
    ends = [_ends(found, i) for i in range(len(weights))]
    detunings, others = (ends[0], ends[1]), ends[5:]
    splitting, coupling, mean = ends[2:5]
    contrast = _deeper(_contrasts(fitted, noise, np.array(sides, dtype=float)))
    widths: tuple[Ends, ...] = (others[0], others[len(sides) - 1])
    intrinsic: tuple[Ends, ...] = (others[2], others[3]) if unequal else (mean, mean)
    eta_bound = fitted.shape.low[2], fitted.shape.high[2]
    stopped = found.at_bound[4] & (np.abs(found.points[4, :, 2] - 0.5) < 1e-9)
    largest = float(fitted.shape.high[1])
    widths, intrinsic = (tuple(_bounded(e, largest) for e in pair) for pair in (widths, intrinsic))
    mean, coupling = _bounded(mean, largest), _bounded(coupling, largest)
    critical = bool(0.5 in eta_bound and stopped[2:].any())
    return Widths(detunings, widths, intrinsic, mean, coupling, splitting, contrast, critical)


def _contrasts(fitted: Fitted, noise: Noise, sides: FloatArray) -> list[Ends]:
    """Depth of each dip by its quadratic interval: the data show it directly, whatever shape it comes from."""
    values, gradients = sq.contrasts(fitted.p, sides)
    rows = np.zeros(len(sides), dtype=np.intp)
    v = held_solve(fitted.point.h[rows], gradients, np.broadcast_to(~fitted.free, gradients.shape))
    sigmas = np.sqrt(np.maximum((gradients * v).sum(1), 0.0) * noise.independent_variance)
    t68, t95 = quantiles(noise.dof)
    return [
        Ends(c, c - t68 * s, c + t68 * s, c - t95 * s, c + t95 * s)
        for c, s in zip(values.tolist(), sigmas.tolist(), strict=True)
    ]


def _themselves(p: FloatArray) -> tuple[FloatArray, FloatArray]:
    return p, np.broadcast_to(np.eye(p.shape[1]), (*p.shape, p.shape[1]))


def _deeper(sides: list[Ends]) -> Ends:
    """The contrast of the deeper dip: each end is the larger of the two dips' ends."""
    return Ends(*(max(getattr(e, name) for e in sides) for name in ("value", "low68", "high68", "low95", "high95")))
