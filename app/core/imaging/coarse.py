"""Where rings are, to a few pixels: gradients of a shrunken picture vote for centres, then for radii."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import correlate1d, gaussian_filter

from app.core.imaging.rays import Bools, Floats, Picture

MOST_POINTS, MOST_VOTERS = 2400, 500
SHARE_OF_TURN = 0.5
"""A ring is one whose edge is seen over at least half a turn."""
_SECTORS = 48


@dataclass(frozen=True)
class Seen:
    """A ring as first seen: centre and radius in pixels of the full picture, +1 if it is brighter outside."""

    x: float
    y: float
    radius: float
    sign: int


@dataclass(frozen=True)
class Points:
    """Places of steep brightness in a shrunken picture: positions, unit direction of rise, steepness."""

    x: Floats
    y: Floats
    ux: Floats
    uy: Floats
    steep: Floats

    def only(self, kept: Bools) -> Points:
        """Those where `kept` is true."""
        return Points(self.x[kept], self.y[kept], self.ux[kept], self.uy[kept], self.steep[kept])


def shrink(picture: Picture, by: int) -> Picture:
    """Means over squares of `by` pixels; what is left over at the right and below is cut off."""
    rows, columns = (n // by * by for n in picture.shape)
    # Rows first: whole rows are added at once, and little is left for the slow sums along them.
    tall = picture[:rows].reshape(rows // by, by, -1).sum(axis=1)[:, :columns]
    return np.asarray(tall.reshape(rows // by, columns // by, by).sum(axis=2) / np.float32(by * by), dtype=np.float32)


def steep_points(small: Picture) -> Points:
    """Crests of the gradient of a smoothed picture, the steepest first, without those that noise makes."""
    soft = gaussian_filter(small, 1.2, mode="nearest", truncate=3)
    gx = correlate1d(soft, [-0.5, 0, 0.5], axis=1, mode="nearest")
    gy = correlate1d(soft, [-0.5, 0, 0.5], axis=0, mode="nearest")
    steep = np.hypot(gx, gy)
    inner = steep[2:-2, 2:-2]
    floor = 3.0 * float(np.median(inner))
    at = np.flatnonzero(steep > max(floor, 1e-12))
    columns = steep.shape[1]
    y, x = np.divmod(at, columns)
    away = (x > 1) & (x < columns - 2) & (y > 1) & (y < steep.shape[0] - 2)
    x, y, at = x[away], y[away], at[away]
    ux, uy = gx.ravel()[at] / steep.ravel()[at], gy.ravel()[at] / steep.ravel()[at]
    sx, sy = np.rint(ux).astype(int), np.rint(uy).astype(int)
    here = steep[y, x]
    crest = (here >= steep[y + sy, x + sx]) & (here >= steep[y - sy, x - sx])
    order = np.flatnonzero(crest)
    if len(order) > MOST_POINTS:
        order = order[np.argpartition(here[order], -MOST_POINTS)[-MOST_POINTS:]]
    as_float = [a[order].astype(np.float64) for a in (x, y, ux, uy, here)]
    return Points(*as_float)


def ring_among(points: Points, shape: tuple[int, ...], least_px: float = 3.0) -> tuple[Seen, Bools] | None:
    """The ring most points agree on, in the shrunken picture's pixels, and which points lie on it."""
    if len(points.x) < 24:
        return None
    peak = _voted(points, shape, least_px)
    for reach in (6.0, 3.0, 2.0):
        peak = _crossing(points, peak, reach)
    dx, dy = points.x - peak[0], points.y - peak[1]
    radius = np.hypot(dx, dy)
    miss = np.abs(dx * points.uy - dy * points.ux)
    outward = dx * points.ux + dy * points.uy
    aimed = (miss < 2.0 + 0.03 * radius) & (radius >= least_px)
    best: tuple[float, float, int] | None = None
    for sign in (1, -1):
        chosen = aimed & (outward * sign > 0)
        if not np.any(chosen):
            continue
        # Each ring counts by the share of its turn that is seen: small and large rings alike.
        counts = np.bincount(np.rint(radius[chosen]).astype(int), minlength=8).astype(float)
        share = np.convolve(counts, [0.5, 1, 1, 1, 0.5], mode="same") / (
            2 * np.pi * np.maximum(np.arange(len(counts)), 6)
        )
        at = int(np.argmax(share))
        if best is None or share[at] > best[0]:
            best = float(share[at]), float(at), sign
    if best is None:
        return None
    _, at_radius, sign = best
    on = aimed & (outward * sign > 0) & (np.abs(radius - at_radius) < 3.0)
    turn = np.arctan2(dy[on], dx[on])
    seen = len(np.unique(((turn + np.pi) / (2 * np.pi) * _SECTORS).astype(int) % _SECTORS)) / _SECTORS
    possible = min(_SECTORS, 2 * np.pi * at_radius) / _SECTORS
    if seen < SHARE_OF_TURN * possible or np.count_nonzero(on) < 10:
        return None
    return Seen(peak[0], peak[1], float(np.median(radius[on])), sign), on


def _voted(points: Points, shape: tuple[int, ...], least: float) -> tuple[float, float]:
    """The place most lines along gradients run through, in cells of two pixels."""
    rows, columns = (n // 2 + 1 for n in shape)
    every = -(-len(points.x) // MOST_VOTERS)
    steps = np.arange(least, max(shape) / 1.6, 2.0)
    steps = np.concatenate([-steps, steps]).astype(np.float32) / 2
    px, py, ux, uy = (a[::every, None].astype(np.float32) for a in (points.x, points.y, points.ux, points.uy))
    x, y = (px / 2 + ux * steps).astype(np.int32), (py / 2 + uy * steps).astype(np.int32)
    inside = (x >= 0) & (y >= 0) & (x < columns) & (y < rows)
    votes = np.bincount((y * columns + x)[inside], minlength=rows * columns).reshape(rows, columns)
    calm = gaussian_filter(votes.astype(np.float32), 1.2, truncate=2.5)
    at = np.unravel_index(int(np.argmax(calm)), calm.shape)
    return 2.0 * float(at[1]) + 0.5, 2.0 * float(at[0]) + 0.5


def _crossing(points: Points, peak: tuple[float, float], reach: float) -> tuple[float, float]:
    """Least-squares crossing of the lines that pass within `reach` of the peak."""
    across = (points.x - peak[0]) * points.uy - (points.y - peak[1]) * points.ux
    near = np.abs(across) < reach
    nx, ny, d = points.uy[near], -points.ux[near], across[near]
    normal = np.array([[nx @ nx, nx @ ny], [nx @ ny, ny @ ny]])
    if np.linalg.det(normal) < 1e-6 * max(1.0, float(np.count_nonzero(near))) ** 2:
        return peak
    shift = np.linalg.solve(normal, [nx @ d, ny @ d])
    return peak[0] + float(shift[0]), peak[1] + float(shift[1])
