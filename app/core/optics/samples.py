"""The scan as the fits see it: scaled, and long scans gathered into bins that are fine where the dip is.

Bins stand for their samples without bias: the model's mean over a bin differs from its value at the bin's mean
position, and that difference (from the spread of positions in the bin) is added to the model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from app.core.optics.results import FloatArray

PLAIN_LIMIT = 400
"""Scans up to this many samples are fitted sample by sample."""


@dataclass(frozen=True, eq=False)
class Samples:
    """z (n,) position, y (n,) signal, weight (n,) samples behind each, spread (n,) of positions within it.

    `correction` (n,) is what binning takes from the model; `u` (3, n) are the baseline's 1, u, u^2 over the window
    from `low` to `high`; `total` samples stand behind all.
    """

    z: FloatArray
    y: FloatArray
    weight: FloatArray
    spread: FloatArray | None
    correction: FloatArray
    u: FloatArray
    low: float
    high: float
    total: int

    def corrected(self, correction: FloatArray) -> Samples:
        """The same samples with another correction."""
        return replace(self, correction=correction)


def baseline_terms(z: FloatArray, low: float, high: float) -> FloatArray:
    """1, u, u^2 (3, n) with u from -1 to 1 over the window."""
    u = (z - 0.5 * (low + high)) * (2.0 / (high - low))
    return np.stack([np.ones_like(u), u, u * u])


def plain(z: FloatArray, y: FloatArray) -> Samples:
    """Every sample for itself."""
    n, low, high = len(z), float(z[0]), float(z[-1])
    return Samples(z, y, np.ones(n), None, np.zeros(n), baseline_terms(z, low, high), low, high, n)


def gathered(z: FloatArray, y: FloatArray, centres: FloatArray, width: float) -> Samples:
    """Bins of a tenth of `width` near `centres`, wider with the distance from them; few samples stay as they are."""
    if len(z) <= PLAIN_LIMIT:
        return plain(z, y)
    edges = _edges(float(z[0]), float(z[-1]), np.sort(centres), width)
    first = np.searchsorted(z, edges)
    first = first[:-1][np.diff(first) > 0]
    count = np.diff(np.append(first, len(z))).astype(float)
    mean = np.add.reduceat(z, first) / count
    mean_y = np.add.reduceat(y, first) / count
    offset = z - np.repeat(mean, count.astype(np.intp))
    spread = np.sqrt(np.add.reduceat(offset * offset, first) / count)
    low, high = float(z[0]), float(z[-1])
    u = baseline_terms(mean, low, high)
    return Samples(mean, mean_y, count, spread, np.zeros(len(mean)), u, low, high, len(z))


def _edges(low: float, high: float, centres: FloatArray, width: float) -> FloatArray:
    """Bin edges whose spacing is a tenth of the width, or of the distance to the nearest centre beyond 3 widths."""
    fine = width / 10.0
    span = 3.0 * width
    # Geometric growth outside the fine part keeps the number of bins logarithmic in the length of the scan.
    reach = max(high - low, span * 1.01)
    steps = int(np.ceil(np.log(reach / span) / np.log1p(1.0 / 12.0))) + 1
    outer = span * (1.0 + 1.0 / 12.0) ** np.arange(steps + 1)
    inner = np.arange(0.0, span, fine)
    one_side = np.concatenate([inner, outer])
    parts = []
    bounds = np.concatenate([[-np.inf], 0.5 * (centres[1:] + centres[:-1]), [np.inf]])
    for i, centre in enumerate(centres):
        e = np.concatenate([centre - one_side[:0:-1], centre + one_side])
        parts.append(e[(e >= bounds[i]) & (e < bounds[i + 1])])
    edges = np.concatenate(parts)
    edges = edges[(edges > low) & (edges < high)]
    return np.concatenate([[low], edges, [np.nextafter(high, np.inf)]])
