"""The outline of a ring from where its edge lies on each ray: circle, ellipse, out-of-roundness, uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from app.core.imaging.rays import Floats

UNDULATIONS = 15
"""Waves per turn kept in the roundness: the filter of 1–15 undulations per revolution of ISO 12181-2."""
SECTORS = 24
"""Scatter is judged by means over sectors, so that noise alike on neighbouring rays is not counted as many readings."""
MOST_TURNS = 5
_MAD = 1.4826


@dataclass(frozen=True)
class Outline:
    """A closed outline about a centre, lengths in the unit of the radii; sigmas are one standard deviation."""

    x: float
    y: float
    radius: float
    """Of the least-squares circle."""
    major: float
    minor: float
    """Diameters of the least-squares ellipse."""
    major_angle: float
    """Of the major axis from the picture's x towards its y, radians, 0 to π."""
    roundness: float
    """Peak to valley about the least-squares circle, 2–15 undulations per turn."""
    radius_sigma: float
    centre_sigma: float
    axis_sigma: float
    roundness_sigma: float

    @property
    def eccentricity(self) -> float:
        """√(1 − (minor/major)²)."""
        return float(np.sqrt(max(0.0, 1 - (self.minor / self.major) ** 2)))


def turn(rays: int) -> Floats:
    """Angles of so many rays, even round the turn, from 0."""
    return np.asarray(np.arange(rays) * (2 * np.pi / rays), dtype=np.float64)


@lru_cache(maxsize=16)
def waves(rays: int, most: int) -> Floats:
    """Columns 1, cos θ, sin θ, cos 2θ, … sin(most θ) at the angles of `turn(rays)`; read only."""
    angles = turn(rays)
    turns = np.arange(1, most + 1)[:, None] * angles
    both = np.stack([np.cos(turns), np.sin(turns)], axis=1).reshape(2 * most, -1)
    columns = np.ascontiguousarray(np.concatenate([np.ones((1, rays)), both]).T)
    columns.flags.writeable = False
    return columns


def robust_waves(radii: Floats, good: NDArray[np.bool_], most: int) -> tuple[Floats, Floats]:
    """Coefficients of a wave series through the radii and the weight of each ray (Tukey's biweight, 0 for dust)."""
    columns = waves(len(radii), most)
    weight = good.astype(np.float64)
    filled = np.where(good, radii, 0.0)
    coefficients: Floats = np.zeros(columns.shape[1])
    coefficients[0] = np.median(radii[good])
    spread = 0.0
    for go in range(MOST_TURNS):
        residual = filled - columns @ coefficients
        if go < 3:
            spread = max(_MAD * float(np.median(np.abs(residual[good]))), 1e-6)
        u = residual / (4.685 * spread)
        weight = np.where(good & (np.abs(u) < 1), (1 - np.minimum(u * u, 1)) ** 2, 0.0)
        last, coefficients = coefficients, _weighed(columns, filled, weight)
        if np.max(np.abs(coefficients - last)) < 1e-3:
            break
    return coefficients, weight


def _weighed(columns: Floats, values: Floats, weight: Floats) -> Floats:
    """Weighted least squares; the small ridge keeps waves quiet over gaps and moves nothing that was seen."""
    weighed = columns * weight[:, None]
    normal = weighed.T @ columns + 1e-6 * np.sum(weight) * np.eye(columns.shape[1])
    return np.asarray(np.linalg.solve(normal, weighed.T @ values), dtype=np.float64)


def outline(centre: tuple[float, float], radii: Floats, good: NDArray[np.bool_]) -> tuple[Outline, float]:
    """The outline, and the share of rays it rests on; the centre must be good to a few hundredths of a radius.

    Circle: least squares, its centre from the first harmonic. Ellipse: 1/r² = p + q cos 2θ + s sin 2θ, exact about
    its centre. Sigmas from the scatter of sector means about the series of the first three harmonics.
    """
    angles = turn(len(radii))
    coefficients, weight = robust_waves(radii, good, 3)
    dx, dy = coefficients[1], coefficients[2]
    centred = radii - dx * np.cos(angles) - dy * np.sin(angles)
    radius = float(coefficients[0] + (dx * dx + dy * dy) / (4 * coefficients[0]))
    major, minor, angle = _ellipse(angles, centred, weight)
    residual = np.where(good, radii - waves(len(radii), 3) @ coefficients, 0.0)
    sigma = _sigma_of_mean(angles, residual, weight)
    peak, peak_sigma = _roundness(centred, weight, sigma)
    found = Outline(
        x=centre[0] + float(dx),
        y=centre[1] + float(dy),
        radius=radius,
        major=major,
        minor=minor,
        major_angle=angle,
        roundness=peak,
        radius_sigma=sigma,
        centre_sigma=sigma * np.sqrt(2),
        axis_sigma=2 * sigma * np.sqrt(3),
        roundness_sigma=peak_sigma,
    )
    return found, float(np.count_nonzero(weight > 0)) / len(radii)


def _ellipse(angles: Floats, radii: Floats, weight: Floats) -> tuple[float, float, float]:
    """(major, minor diameter, angle of the major axis)."""
    seen = weight > 0
    t, r, w = angles[seen], radii[seen], np.sqrt(weight[seen])
    columns = np.stack([np.ones_like(t), np.cos(2 * t), np.sin(2 * t), np.cos(t), np.sin(t)], axis=1)
    scale = float(np.median(r))
    p, q, s, *_ = np.linalg.lstsq(columns * w[:, None], w * (scale / r) ** 2, rcond=None)[0]
    swing = float(np.hypot(q, s))
    angle = (0.5 * np.arctan2(s, q) + np.pi / 2) % np.pi
    return 2 * scale / float(np.sqrt(p - swing)), 2 * scale / float(np.sqrt(p + swing)), float(angle)


def _sigma_of_mean(angles: Floats, residual: Floats, weight: Floats) -> float:
    """Standard deviation of the mean radius; (sectors − 7 waves) degrees of freedom are left."""
    sector = (angles / (2 * np.pi) * SECTORS).astype(int) % SECTORS
    total = np.bincount(sector, weight, SECTORS)
    mean = np.bincount(sector, weight * residual, SECTORS)[total > 0] / total[total > 0]
    left = max(len(mean) - 7, 1)
    by_sector = float(np.sqrt(np.sum(mean**2) / left / len(mean)))
    single = float(np.sqrt(np.sum(weight * residual**2))) / max(float(np.sum(weight)), 1.0)
    return max(by_sector, single)


def _roundness(centred: Floats, weight: Floats, sigma: float) -> tuple[float, float]:
    """(peak to valley, its sigma); what noise alone would show is taken off in quadrature."""
    coefficients = _weighed(waves(len(centred), UNDULATIONS), np.where(weight > 0, centred, 0.0), weight)
    wave = waves(360, UNDULATIONS)[:, 3:] @ coefficients[3:]
    seen = float(np.ptp(wave))
    # A wave has variance 2σ² per coefficient, so 28 of them have 28σ² at a point; its range over a turn is about 4.4.
    noise = 4.4 * sigma * np.sqrt(2 * (UNDULATIONS - 1))
    return float(np.sqrt(max(seen**2 - noise**2, 0.0))), float(noise / 2)
