"""Micrographs of known geometry: blurred discs on a sloping light, pillar shadow, dust and noise (no fitter's code)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter


@dataclass(frozen=True)
class Truth:
    """What was drawn, in pixels."""

    disc: tuple[float, float, float]
    pillar: tuple[float, float, float]


def covered(shape: tuple[int, int], x: float, y: float, a: float, b: float | None = None, turn: float = 0.0):
    """Share of each pixel inside an ellipse of half axes a and b, from 8 × 8 places in each pixel near its edge."""
    b = a if b is None else b
    whole, reach = np.zeros(shape), max(a, b) + 3
    top, left = max(0, int(y - reach)), max(0, int(x - reach))
    box = np.s_[top : max(top, int(y + reach) + 1), left : max(left, int(x + reach) + 1)]
    share = whole[box]
    rows, columns = np.mgrid[0 : share.shape[0], 0 : share.shape[1]].astype(float)
    rows, columns = rows + top, columns + left

    def depth(u, v):
        p, q = (u - x) * np.cos(turn) + (v - y) * np.sin(turn), (v - y) * np.cos(turn) - (u - x) * np.sin(turn)
        return np.hypot(p / a, q / b) - 1

    middle = depth(columns, rows)
    share[:] = middle < 0
    edge = np.abs(middle) * min(a, b) < 1.5
    places = (np.arange(8) + 0.5) / 8 - 0.5
    u, v = columns[edge][:, None], rows[edge][:, None]
    du, dv = (grid.ravel() for grid in np.meshgrid(places, places))
    share[edge] = (depth(u + du, v + dv) < 0).mean(axis=1)
    return whole


def micrograph(
    rng: np.random.Generator,
    *,
    shape: tuple[int, int] = (1024, 1280),
    blur: float | None = None,
    noise: float | None = None,
    dust: int = 12,
) -> tuple[np.ndarray, Truth]:
    """A picture as float32 and what is in it: blur 1–4 px and noise 1–3 % unless given."""
    blur = rng.uniform(1, 4) if blur is None else blur
    noise = rng.uniform(0.01, 0.03) if noise is None else noise
    rows, columns = shape
    radius = rng.uniform(0.22, 0.38) * rows
    x, y = columns / 2 + rng.uniform(-60, 60), rows / 2 + rng.uniform(-40, 40)
    inner = radius * rng.uniform(0.3, 0.7)
    off = rng.uniform(0, 0.05) * radius
    way = rng.uniform(0, 2 * np.pi)
    px, py = x + off * np.cos(way), y + off * np.sin(way)
    light = (
        0.55
        + 0.1 * rng.uniform(-1, 1) * np.linspace(-1, 1, columns)
        + 0.1 * rng.uniform(-1, 1) * np.linspace(-1, 1, rows)[:, None]
    )
    disc, pillar = covered(shape, x, y, radius), covered(shape, px, py, inner)
    # The pillar's shadow under the glass: a soft dark patch to one side of it.
    shadow = gaussian_filter(covered(shape, px + 0.1 * inner, py + 0.1 * inner, 0.9 * inner), 12, truncate=3)
    picture = light * (1 + 0.35 * disc - 0.08 * shadow * disc - 0.25 * pillar)
    for _ in range(dust):
        spot = covered(shape, rng.uniform(0, columns), rng.uniform(0, rows), rng.uniform(2, 9))
        picture = picture * (1 - rng.uniform(0.2, 0.8) * spot)
    picture = gaussian_filter(picture, blur) + noise * rng.standard_normal(shape)
    return picture.astype(np.float32), Truth((x, y, radius), (px, py, inner))
