"""Rings in a micrograph, to a few hundredths of a pixel: edges on many rays, then circle, ellipse and roundness."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from app.core.imaging.coarse import Seen, ring_among, shrink, steep_points
from app.core.imaging.rays import Bools, Floats, Picture, along, blur_of, edge_design
from app.core.imaging.shape import Outline, outline, robust_waves, turn, waves

SHRUNK_PX = 320
"""About how wide the picture is made to find rings roughly."""
MOST_RINGS = 3
MOST_RAYS, LEAST_RAYS, RAYS_PER_PX = 1440, 120, 1.0
FIRST_BLUR_PX = 2.5
LEAST_SHARE = 0.5
"""At least this share of the rays must show the edge."""
REACH_PX = 10.0
BEND_CHI2 = 20.0
"""χ² of eight parts exceeds this one time in a hundred."""
_NEAR = 0.5


@dataclass(frozen=True)
class Ring:
    """One ring of a picture, in pixels; its edge is brighter outside (`sign` +1) or inside (−1)."""

    outline: Outline
    sign: int
    contrast: float
    """Step of brightness over the edge."""
    blur_px: float
    """Standard deviation of the edge's blur."""
    rays: int
    used: float
    """Share of the rays that the outline rests on."""


def find_rings(picture: Picture, *, most: int = MOST_RINGS) -> tuple[Ring, ...]:
    """Nested rings of a grey picture (rows × columns, any scale of brightness), the largest first.

    A coarse search by gradient votes, then each ring's edge on up to 1440 rays: an error function fitted by one
    linear least-squares step per ray, outliers (dust, shadows) set aside by Tukey's biweight.
    """
    by = max(1, round(max(picture.shape) / SHRUNK_PX))
    small = shrink(picture, by)
    seen = [_full(each, by) for each in _coarse_rings(small, most + 2)]
    found: list[Ring] = []
    for each in seen:
        ring = fit_ring(picture, each, gap_px=_gap(each, seen), lost_px=2.0 * by)
        if ring is not None and not any(_same(ring, other) for other in found):
            found.append(ring)
    return tuple(sorted(_nested(found), key=lambda ring: -ring.outline.radius)[:most])


def fit_ring(picture: Picture, near: Seen, *, gap_px: float = 99.0, lost_px: float = 6.0) -> Ring | None:
    """The edge within `lost_px` or so of a circle roughly known; None where less than half of its turn shows one.

    `near.sign` 0 takes either direction. `gap_px` is the distance to the next ring, whose edge must stay out of sight.
    """
    rays = int(np.clip(2 * np.pi * near.radius * RAYS_PER_PX, LEAST_RAYS, MOST_RAYS))
    start, sign = _start(
        picture, near, max(rays // 4, LEAST_RAYS // 2), min(max(lost_px + 4, REACH_PX), _room(near, gap_px))
    )
    if start is None:
        return None
    centre, coefficients = start
    blur = FIRST_BLUR_PX
    for last in (False, True):
        count = rays if last else max(rays // 3, LEAST_RAYS)
        shape = np.maximum(waves(count, (len(coefficients) - 1) // 2) @ coefficients, 1.0)
        half = int(min(4 * blur + 6, _room(near, gap_px), 28.0))
        offsets = np.arange(-half, half + 1.0)
        profiles = along(picture, centre, turn(count), shape, offsets)
        whole: Bools = np.asarray(np.isfinite(profiles).all(axis=1))
        if np.count_nonzero(whole) < LEAST_SHARE * count:
            return None
        blur = blur_of(np.median(profiles[whole][:: 3 if last else 1], axis=0).astype(np.float64))
        shift, contrast, good = _shifts(profiles, whole, offsets, blur)
        if np.count_nonzero(good) < LEAST_SHARE * count or contrast * sign < 0:
            return None
        radii = shape + shift
        if not last:
            centre, coefficients = _recentred(centre, robust_waves(radii, good, 4)[0])
    # Blur moves the half level of a curved edge inwards by s²/2r (diffusion of a round step), whichever side is bright.
    found, used = outline(centre, radii + blur * blur / (2 * radii), good)
    if used < LEAST_SHARE:
        return None
    return Ring(found, sign, abs(contrast), blur, rays, used)


def _room(near: Seen, gap_px: float) -> float:
    return min(max(gap_px / 2, 4.0), max(near.radius * 0.6, 3.0))


def _start(
    picture: Picture, near: Seen, rays: int, reach: float
) -> tuple[tuple[tuple[float, float], Floats] | None, int]:
    """((centre, waves of the outline) by the steepest place on each ray, direction of the edge)."""
    centre, coefficients, sign = (near.x, near.y), np.array([near.radius, 0.0, 0.0]), near.sign
    for _ in range(2):
        shape = np.maximum(waves(rays, (len(coefficients) - 1) // 2) @ coefficients, 1.0)
        caught = _caught(picture, centre, turn(rays), shape, reach, sign)
        if caught is None:
            return None, sign
        radii, good, sign = caught
        centre, coefficients = _recentred(centre, robust_waves(radii, good, 2)[0])
    return (centre, coefficients), sign


def _shifts(profiles: Picture, whole: Bools, offsets: Floats, blur: float) -> tuple[Floats, float, Bools]:
    """(edge's distance on each ray, median step of brightness, which rays show the edge)."""
    design = edge_design(offsets, blur)
    filled = np.where(whole[:, None], profiles, np.float32(0))
    coefficients = (filled @ np.linalg.pinv(design).T.astype(np.float32)).astype(np.float64)
    edge = design
    if not _bends(coefficients[:, 2], whole):
        # A bend looks much like a shifted edge: fitted where there is none, it costs half the precision.
        edge = np.delete(design, 2, axis=1)
        coefficients = (filled @ np.linalg.pinv(edge).T.astype(np.float32)).astype(np.float64)
    step, bell = coefficients[:, -2], coefficients[:, -1]
    contrast = float(np.median(step[whole]))
    if contrast == 0:
        return np.zeros(len(step)), 0.0, np.zeros(len(step), bool)
    # The step changes slowly round the ring, so its mean over neighbours keeps noise out of the ratio.
    calm = _calm(step / contrast, whole, 15)
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = -bell / (contrast * np.maximum(calm, 0.2))
    rest = filled - (coefficients @ edge.T).astype(np.float32)
    residual = np.sqrt(np.einsum("ij,ij->i", rest, rest) / len(offsets))
    limit = 4 * float(np.median(residual[whole])) + 1e-9 * abs(contrast)
    good = whole & (step / contrast > 0.25) & (np.abs(shift) < 2 * blur + 2) & (residual <= limit)
    return np.where(good, shift, 0.0), contrast, good


def _bends(bend: Floats, whole: Bools) -> bool:
    """Whether the background's bend stands out from its scatter in eighths of the turn (χ² beyond chance)."""
    calm = np.where(whole, bend, float(np.median(bend[whole])))
    middle = float(np.median(calm))
    single = 1.4826 * float(np.median(np.abs(calm - middle)))
    even = np.clip(calm, middle - 3 * single, middle + 3 * single)[: len(calm) // 8 * 8]
    parts, spread = even.reshape(8, -1).mean(axis=1), single * np.sqrt(8 / len(calm))
    return bool(np.sum(np.square(parts)) > BEND_CHI2 * max(spread, 1e-12) ** 2)


def _calm(values: Floats, whole: Bools, half: int) -> Floats:
    """Running means round the turn of what lies within four spreads of the middle, the rest cut to that."""
    middle = float(np.median(values[whole]))
    reach = 6 * float(np.median(np.abs(values[whole] - middle)))
    return _smooth(np.where(whole, np.clip(values, middle - reach, middle + reach), middle), half)


def _smooth(values: Floats, half: int) -> Floats:
    """Running mean round the turn over 2·half + 1 rays."""
    half = min(half, (len(values) - 1) // 2)
    around = np.concatenate([values[-half:], values, values[:half]])
    total = np.concatenate([[0.0], np.cumsum(around)])
    width = 2 * half + 1
    return (total[width:] - total[:-width]) / width


def _caught(
    picture: Picture, centre: tuple[float, float], angles: Floats, shape: Floats, reach: float, sign: int
) -> tuple[Floats, Bools, int] | None:
    """(radius of the steepest place on each ray, rays that are in the picture, direction of the edge)."""
    offsets = np.arange(-np.floor(reach) - 2, np.floor(reach) + 3)
    profiles = along(picture, centre, angles, shape, offsets)
    good: Bools = np.asarray(np.isfinite(profiles).all(axis=1))
    if np.count_nonzero(good) < LEAST_SHARE * len(angles):
        return None
    filled = np.where(good[:, None], profiles, 0.0)
    around = np.concatenate([filled[-4:], filled, filled[:4]])
    total = np.concatenate([np.zeros((1, len(offsets))), np.cumsum(around, axis=0)])
    calm = (total[9:] - total[:-9]) / 9
    rise = calm[:, 3:] + calm[:, 2:-1] - calm[:, 1:-2] - calm[:, :-3]
    if sign == 0:
        middle = np.median(rise[good], axis=0)
        sign = 1 if middle[np.argmax(np.abs(middle))] > 0 else -1
    steepest = np.argmax(sign * rise, axis=1)
    return shape + offsets[0] + 1.5 + steepest, good, sign


def _recentred(centre: tuple[float, float], coefficients: Floats) -> tuple[tuple[float, float], Floats]:
    """The centre moved by the first harmonic, and the waves of the outline as seen from there."""
    rest = coefficients.copy()
    rest[1] = rest[2] = 0.0
    return (centre[0] + float(coefficients[1]), centre[1] + float(coefficients[2])), rest


def _coarse_rings(small: Picture, most: int) -> list[Seen]:
    """Rings of the shrunken picture, one peeled off after the other."""
    points, rings = steep_points(small), list[Seen]()
    while len(rings) < most:
        found = ring_among(points, small.shape)
        if found is None:
            break
        ring, on = found
        rings.append(ring)
        points = points.only(~on)
    return rings


def _full(ring: Seen, by: int) -> Seen:
    """A ring of the shrunken picture in pixels of the full one."""
    return replace(ring, x=ring.x * by + (by - 1) / 2, y=ring.y * by + (by - 1) / 2, radius=ring.radius * by)


def _gap(ring: Seen, rings: list[Seen]) -> float:
    others = [abs(ring.radius - other.radius) for other in rings if other is not ring]
    return min((gap for gap in others if gap > 4), default=99.0)


def _same(a: Ring, b: Ring) -> bool:
    apart = np.hypot(a.outline.x - b.outline.x, a.outline.y - b.outline.y) + abs(a.outline.radius - b.outline.radius)
    return bool(apart < 2 + a.blur_px)


def _nested(rings: list[Ring]) -> list[Ring]:
    """Those about the same place as the plainest one: the ring of most contrast and turn."""
    if not rings:
        return []
    plainest = max(rings, key=lambda ring: ring.contrast * ring.used * np.sqrt(ring.outline.radius))
    x, y = plainest.outline.x, plainest.outline.y
    return [
        ring
        for ring in rings
        if np.hypot(ring.outline.x - x, ring.outline.y - y) < _NEAR * max(ring.outline.radius, plainest.outline.radius)
    ]
