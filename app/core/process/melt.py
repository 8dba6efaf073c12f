"""Reflow by volume: the toroid a disc melts into, the sphere a fibre end melts into."""

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class NoShape:
    """The measured sizes belong to no body of that volume; `reason` is a sentence for the page."""

    reason: str


@dataclass(frozen=True)
class Toroid:
    """A toroid on its membrane: minor diameter of the rim and radius where the membrane meets it, µm."""

    minor_um: float
    membrane_radius_um: float


def _root(excess: Callable[[float], float], low: float, high: float) -> float:
    from scipy.optimize import brentq  # slow to import, and few pages need it

    return float(brentq(excess, low, high, xtol=1e-10))


def _toroid_volume(outer_radius: float, minor_radius: float, thickness: float) -> float:
    """Volume of membrane and torus, πtR_m² + 2π²R_c r² − lens (the part both would claim), closed form."""
    r, h = minor_radius, thickness / 2
    rc = outer_radius - r
    chord = math.sqrt(max(r * r - h * h, 0.0))
    rm = rc - chord
    root = h * chord + r * r * math.asin(min(1.0, h / r))
    square = 2 * h * r * r - 2 * h**3 / 3
    lens = math.pi * (2 * h * (rm * rm - rc * rc) + 2 * rc * root - square)
    return math.pi * thickness * rm * rm + 2 * math.pi**2 * rc * r * r - lens


def toroid(disc_um: float, oxide_um: float, outer_um: float) -> Toroid | NoShape:
    """Toroid of a disc that shrank to an outer diameter, all its silica kept.

    πt(R_d² − R_m²) = 2π²R_c r² − lens, R_c = R_o − r, R_m = R_c − √(r² − t²/4); lens is the part of the torus
    inside the membrane. All in µm, diameters save the oxide's thickness. NoShape where no such body is.
    """
    reason = _why_no_toroid(disc_um, oxide_um, outer_um)
    if reason:
        return NoShape(reason)
    outer, volume = outer_um / 2, math.pi * oxide_um * disc_um**2 / 4
    low, high = oxide_um / 2, outer / 2
    if _toroid_volume(outer, high, oxide_um) < volume:
        return NoShape(f"a disc of {disc_um:g} µm holds more silica than a ring of {outer_um:g} µm can")
    r = _root(lambda r: _toroid_volume(outer, r, oxide_um) - volume, low, high)
    return Toroid(2 * r, outer - r - math.sqrt(max(r * r - oxide_um**2 / 4, 0.0)))


def _why_no_toroid(disc_um: float, oxide_um: float, outer_um: float) -> str | None:
    if not all(math.isfinite(v) and v > 0 for v in (disc_um, oxide_um, outer_um)):
        return "disc, oxide and outer size must all be above zero"
    if outer_um >= disc_um:
        return f"a toroid of {outer_um:g} µm is not smaller than its disc of {disc_um:g} µm"
    if outer_um <= 2 * oxide_um:
        return f"a toroid of {outer_um:g} µm is too small for an oxide of {oxide_um:g} µm"
    return None


def toroid_minor_simple_um(disc_um: float, oxide_um: float, outer_um: float) -> float | NoShape:
    """Minor diameter by the simple volume, πt[R_d² − (R_o − 2r)²] = 2π²(R_o − r) r²; 0.1 % above `toroid`'s."""
    reason = _why_no_toroid(disc_um, oxide_um, outer_um)
    if reason:
        return NoShape(reason)
    outer, disc = outer_um / 2, disc_um / 2

    def excess(r: float) -> float:
        return 2 * math.pi * (outer - r) * r * r - oxide_um * (disc**2 - (outer - 2 * r) ** 2)

    if excess(outer / 2) < 0:
        return NoShape(f"a disc of {disc_um:g} µm holds more silica than a ring of {outer_um:g} µm can")
    return 2 * _root(excess, 0.0, outer / 2)


def toroid_disc_um(outer_um: float, minor_um: float, oxide_um: float) -> float | NoShape:
    """Disc diameter that a measured toroid must have come from; less than the mask's is evaporation or lost rim."""
    if not (oxide_um > 0 and oxide_um <= minor_um <= outer_um / 2):
        return NoShape("a rim is at least as thick as the oxide and at most half the outer diameter")
    volume = _toroid_volume(outer_um / 2, minor_um / 2, oxide_um)
    return 2 * math.sqrt(volume / (math.pi * oxide_um))


def sphere_um(fibre_um: float, length_um: float) -> float:
    """Sphere diameter from a length of fibre melted up, (1.5 d² L)^⅓, µm; the stem's cap neglected."""
    if not (fibre_um > 0 and length_um > 0):
        raise ValueError("a sphere needs a fibre diameter and a length above zero")
    return (1.5 * fibre_um**2 * length_um) ** (1 / 3)


def sphere_on_stem_um(fibre_um: float, length_um: float) -> float | NoShape:
    """Sphere diameter from a length of fibre, with the cap hidden in the stem.

    πD³/6 − πh²(3R − h)/3 = πd²L/4, h = R − √(R² − d²/4). NoShape where less than d/3 was melted: only a
    rounded end, no sphere wider than its stem.
    """
    simple = sphere_um(fibre_um, length_um)
    if length_um <= fibre_um / 3:
        return NoShape(f"{length_um:g} µm of a {fibre_um:g} µm fibre only round its end")
    return _root(lambda d: melted_length_um(d, fibre_um) - length_um, fibre_um, simple + fibre_um)


def melted_length_um(sphere: float, fibre_um: float) -> float:
    """Length of fibre that a sphere on its stem took, the inverse of `sphere_on_stem_um`, µm."""
    if not 0 < fibre_um <= sphere:
        raise ValueError(f"a sphere of {sphere:g} µm is narrower than its stem of {fibre_um:g} µm")
    radius = sphere / 2
    h = radius - math.sqrt(max(radius**2 - fibre_um**2 / 4, 0.0))
    volume = math.pi * sphere**3 / 6 - math.pi * h * h * (3 * radius - h) / 3
    return 4 * volume / (math.pi * fibre_um**2)
