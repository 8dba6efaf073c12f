"""What the samples themselves say against a scan: clipping, overshoot, a rounded axis, too few of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.core.optics.guess import means, sample_noise
from app.core.optics.results import FloatArray

_RINGING_V = np.log([1e-3, 0.01, 0.03, 0.1, 0.3, 1.0])
_RINGING_BIAS = np.array([0.0, -0.06, -0.46, -1.49, 5.6, 42.2])
"""Bias in per cent of a fitted width at a sweep of v = (d omega/dt)/kappa^2, from integrating da/dt."""
SLOW = 0.03
"""v below which a sweep costs less than half a per cent."""


@dataclass(frozen=True)
class Clipped:
    """How many samples lie at the lowest and at the highest value, where that is a rail."""

    low: int
    high: int


def clipped(y: FloatArray) -> Clipped:
    """Samples stuck at an end of the range: several, in a run, and many more than on the next level."""
    return Clipped(_at_rail(y, float(y.min()), 1.0), _at_rail(y, float(y.max()), -1.0))


def _at_rail(y: FloatArray, end: float, inward: float) -> int:
    stuck = y == end
    count = int(np.count_nonzero(stuck))
    if count < 4:
        return 0
    inner = (y - end) * inward
    inner = inner[inner > 0]
    following = int(np.count_nonzero(inner == inner.min())) if len(inner) else 0
    run = stuck[:-2] & stuck[1:-1] & stuck[2:]
    return count if count > 4 * following and run.any() else 0


def sweep_bias_percent(v: float) -> float:
    """Bias of the width by a sweep of v = (d omega/dt)/kappa^2; beyond v = 1 that at 1."""
    return float(np.interp(np.log(max(v, 1e-9)), _RINGING_V, _RINGING_BIAS))


def sweep_speed(rate_mhz_per_s: float, width_mhz: float) -> float:
    """v = (d omega/dt)/kappa^2 of a sweep in MHz/s across a full width in MHz."""
    return abs(rate_mhz_per_s) / (2.0 * np.pi * width_mhz**2 * 1e6)


def overshoot(x: FloatArray, left: FloatArray, centre: float, width: float) -> float:
    """Light above the fitted curve on one side of the dip that the other side lacks, in sigma of block means.

    `left` (n,) are the residuals; blocks are an eighth of a width, from half a width to six widths away. Ringing
    swings both ways: the lowest block of the side must lie below the curve too.
    """
    per_width = len(x) * width / max(float(x[-1] - x[0]), 1e-300)
    length = max(int(per_width / 8.0), 1)
    at, blocks = means(x, length), means(left, length)
    sigma = max(sample_noise(left), 1e-12) / float(np.sqrt(length))
    peaks = []
    for side in (-1.0, 1.0):
        away = side * (at - centre) / width
        part = blocks[(away > 0.3) & (away < 6.0)]
        if len(part) < 8:
            return 0.0
        peaks.append(min(float(part.max()), 1.5 * float(-part.min())) / sigma)
    high, low = max(peaks), min(peaks)
    return high if high > 2.0 * low else 0.0


def coarse_step(x: FloatArray) -> float:
    """The step an axis x (n,) was rounded to, where more than a twentieth of its steps vanish; else 0."""
    steps = np.diff(x)
    moving = steps[steps > 0]
    if not len(moving) or np.count_nonzero(steps <= 0) <= 0.05 * len(steps):
        return 0.0
    return float(np.median(moving))


def sampling_bias_percent(step: float, width: float) -> float:
    """Bias of a width measured through means over `step`: half of (step/width)^2, to second order in it."""
    return 50.0 * (step / width) ** 2
