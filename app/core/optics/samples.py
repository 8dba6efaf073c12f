"""The scan as the fits see it: long scans gathered into bins that are fine where the dip is.

A bin is handed on as two points, one spread s to each side of its mean position, with the bin's mean and first
moment of y: mean +- (sum (z - zbar) y)/(n s). To third order in the bin's width nothing is lost and nothing is
shifted, which plain averaging would do (to second order).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from app.core.optics.results import FloatArray

PLAIN_LIMIT = 400
"""Scans up to this many samples are fitted sample by sample."""
_BINS_PER_WIDTH = 10.0
_GROWTH = 0.2
_FINE_WIDTHS = 0.9
"""The fourth derivative of a Lorentz dip, which sets what two points a bin lose, falls with the sixth power beyond."""


@dataclass(frozen=True, eq=False)
class Samples:
    """z (n,) rising, y (n,), weight (n,) samples behind each; `u` (3, n) are the baseline's 1, u, u^2.

    u runs from -1 to 1 over the window from `low` to `high`; `total` samples stand behind all. `y_scaled` and
    `u_scaled` are y and u times the root of the weight.
    """

    z: FloatArray
    y: FloatArray
    weight: FloatArray
    u: FloatArray
    low: float
    high: float
    total: int
    y_scaled: FloatArray = field(init=False)
    u_scaled: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        root = np.sqrt(self.weight)
        object.__setattr__(self, "y_scaled", self.y * root)
        object.__setattr__(self, "u_scaled", self.u * root)


def baseline_terms(z: FloatArray, low: float, high: float) -> FloatArray:
    """1, u, u^2 (3, n) with u from -1 to 1 over the window."""
    u = (z - 0.5 * (low + high)) * (2.0 / (high - low))
    return np.stack([np.ones_like(u), u, u * u])


def gathered(z: FloatArray, y: FloatArray, centres: FloatArray, width: float) -> Samples:
    """Bins of a tenth of `width` near `centres`, wider with the distance from them; few samples stay as they are."""
    low, high, n = float(z[0]), float(z[-1]), len(z)
    if n <= PLAIN_LIMIT:
        return Samples(z, y, np.ones(n), baseline_terms(z, low, high), low, high, n)
    first = np.searchsorted(z, _edges(low, high, np.sort(centres), width))
    first = first[:-1][np.diff(first) > 0]
    number = np.diff(np.append(first, n))
    count = number.astype(float)
    mean = np.add.reduceat(z, first) / count
    mean_y = np.add.reduceat(y, first) / count
    spread = np.sqrt(np.maximum(np.add.reduceat(z * z, first) / count - mean * mean, 0.0))
    # Two equal positions are one; what the difference of squares leaves of them is rounding.
    one = spread <= 1e-7 * (width + np.abs(mean))
    moment = (np.add.reduceat(z * y, first) / count - mean * mean_y) / np.where(one, 1.0, spread)
    spread[one], moment[one] = 0.0, 0.0
    keep = np.stack([np.ones_like(one), ~one], 1).ravel()
    points = np.stack([mean - spread, mean + spread], 1).ravel()[keep]
    values = np.stack([mean_y - moment, mean_y + moment], 1).ravel()[keep]
    weight = np.repeat(np.where(one, count, 0.5 * count), 2)[keep]
    return Samples(points, values, weight, baseline_terms(points, low, high), low, high, n)


def _edges(low: float, high: float, centres: FloatArray, width: float) -> FloatArray:
    """Bin edges a tenth of the width apart, or a fifth of the distance to the nearest centre beyond a width."""
    span = _FINE_WIDTHS * width
    steps = int(np.ceil(np.log(max((high - low) / span, 1.01)) / np.log1p(_GROWTH))) + 1
    outer = span * (1.0 + _GROWTH) ** np.arange(steps + 1)
    one_side = np.concatenate([np.arange(0.0, span - 1e-9 * span, width / _BINS_PER_WIDTH), outer])
    bounds = np.concatenate([[-np.inf], 0.5 * (centres[1:] + centres[:-1]), [np.inf]])
    parts = []
    for i, centre in enumerate(centres):
        e = np.concatenate([centre - one_side[:0:-1], centre + one_side])
        parts.append(e[(e >= bounds[i]) & (e < bounds[i + 1])])
    edges = np.concatenate(parts)
    edges = edges[(edges > low) & (edges < high)]
    return np.concatenate([[low], edges, [np.nextafter(high, np.inf)]])
