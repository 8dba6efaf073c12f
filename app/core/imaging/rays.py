"""A picture sampled along rays: brightness at points between pixels, and the shape of an edge along them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Picture = NDArray[np.float32]

BLURS_PX = np.geomspace(0.6, 9.0, 18)
"""Edge widths tried: from an edge as sharp as a pixel to one far out of focus."""


def sample(picture: Picture, x: Floats, y: Floats) -> Picture:
    """Brightness at (x, y) in pixels, bilinear; NaN outside. Pixel (column 0, row 0) has its centre at (0, 0)."""
    rows, columns = picture.shape
    left, top = x.astype(np.int32), y.astype(np.int32)
    inside = (x >= 0) & (y >= 0) & (left < columns - 1) & (top < rows - 1)
    whole = bool(inside.all())
    if not whole:
        left, top = np.where(inside, left, 0), np.where(inside, top, 0)
    fx, fy = (x - left).astype(np.float32), (y - top).astype(np.float32)
    flat, at = picture.ravel(), top * columns + left
    upper, lower = flat.take(at), flat.take(at + columns)
    upper += fx * (flat.take(at + 1) - upper)
    lower += fx * (flat.take(at + columns + 1) - lower)
    value = upper + fy * (lower - upper)
    if not whole:
        value[~inside] = np.nan
    return value


def along(picture: Picture, centre: tuple[float, float], angles: Floats, radii: Floats, offsets: Floats) -> Picture:
    """Brightness on rays from `centre` (x, y): rays × offsets, each ray about its own radius."""
    r = radii[:, None] + offsets[None, :]
    return sample(picture, centre[0] + r * np.cos(angles)[:, None], centre[1] + r * np.sin(angles)[:, None])


def edge_design(offsets: Floats, blur_px: float) -> Floats:
    """Columns of an edge at offset 0: level, slope, bend, step E(t/s) and its derivative; offsets × 5.

    A step at d is, to first order, E(t) − d E'(t), so the ratio of the last two coefficients is where it lies.
    """
    step = ndtr(offsets / blur_px) - 0.5
    bell = np.exp(-0.5 * (offsets / blur_px) ** 2) / (blur_px * np.sqrt(2 * np.pi))
    return np.stack([np.ones_like(offsets), offsets, offsets**2, step, bell], axis=1)


@lru_cache(maxsize=32)
def _leftovers(half: int) -> Floats:
    """For each blur tried, the matrix that takes from a profile at −half … half all that an edge explains."""
    offsets = np.arange(-half, half + 1.0)
    bases = [np.linalg.qr(edge_design(offsets, blur))[0] for blur in BLURS_PX]
    return np.stack([np.eye(len(offsets)) - base @ base.T for base in bases])


def blur_of(profile: Floats) -> float:
    """Standard deviation, in pixels, of the edge in a mean profile at −n … n px: the one that leaves least residual."""
    left = np.sum((_leftovers(len(profile) // 2) @ profile) ** 2, axis=1)
    best = int(np.clip(np.argmin(left), 1, len(BLURS_PX) - 2))
    before, at, after = left[best - 1 : best + 2]
    bend = before - 2 * at + after
    shift = 0.5 * (before - after) / bend if bend > 0 else 0.0
    return float(BLURS_PX[best] * (BLURS_PX[1] / BLURS_PX[0]) ** np.clip(shift, -1, 1))
