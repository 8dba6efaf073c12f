"""Whispering-gallery modes of a silica sphere in vacuum: exact resonances, their names, free spectral range, radiation.

A mode is named by its polarisation (TE, TM), radial number q (1: closest to the rim) and angular number l.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from scipy.optimize import brentq
from scipy.special import ai_zeros, spherical_jn, spherical_yn

from app.core.silica import RANGE_NM, SPEED_OF_LIGHT_M_S, refractive_index

Polarisation = Literal["TE", "TM"]
LARGEST_L = 4000
MOST_Q = 12


@dataclass(frozen=True)
class SphereMode:
    """One mode with its vacuum wavelength and size parameter x = 2 pi R/lambda."""

    polarisation: Polarisation
    q: int
    l: int  # noqa: E741  the field's own letter
    wavelength_nm: float
    x: float

    @property
    def name(self) -> str:
        """As TE1, 167."""
        return f"{self.polarisation}{self.q}, {self.l}"


def size_parameter(polarisation: Polarisation, q: int, l: int, index: float) -> float:  # noqa: E741
    """x of a mode for a fixed refractive index, radiation neglected.

    Root of P psi_l'(n x)/psi_l(n x) = chi_l'(x)/chi_l(x), P = n (TE), 1/n (TM), psi = z j_l(z), chi = z y_l(z).
    Source: the characteristic equation of Mie theory; start from the asymptotic series of Lam, Leung and Young,
    JOSA B 9, 1585 (1992), from memory.
    """
    _check(polarisation, q, l)
    seed = asymptotic_x(polarisation, q, l, index)
    return _root(lambda x: _mismatch(polarisation, l, x, index), seed)


def mode(polarisation: Polarisation, q: int, l: int, radius_um: float) -> SphereMode:  # noqa: E741
    """The mode of a silica sphere, its index that of the glass at the very wavelength (Malitson 1965).

    ValueError where the mode lies outside the range in which the index is known.
    """
    _check(polarisation, q, l)
    if not (math.isfinite(radius_um) and radius_um > 0):
        raise ValueError(f"a radius is above zero, not {radius_um}")
    round_um = 2 * math.pi * radius_um * 1e3
    index = 1.45
    for _ in range(30):
        nm = round_um / asymptotic_x(polarisation, q, l, index)
        if not RANGE_NM[0] < nm < RANGE_NM[1]:
            raise ValueError(f"{polarisation}{q}, l = {l} of this sphere lies at {nm:.4g} nm, where no index is known")
        index, before = refractive_index(nm), index
        if abs(index - before) < 1e-12:
            break
    x = _root(
        lambda x: _mismatch(polarisation, l, x, refractive_index(round_um / x)),
        asymptotic_x(polarisation, q, l, index),
    )
    return SphereMode(polarisation, q, l, round_um / x, x)


def modes_between(radius_um: float, low_nm: float, high_nm: float, most_q: int = 2) -> tuple[SphereMode, ...]:
    """Every TE and TM mode up to radial number `most_q` from `low_nm` to `high_nm`, by falling wavelength."""
    found: list[SphereMode] = []
    for polarisation in ("TE", "TM"):
        for q in range(1, most_q + 1):
            first = angular_near(polarisation, q, radius_um, high_nm)
            for l in range(first, LARGEST_L):  # noqa: E741
                here = mode(polarisation, q, l, radius_um)
                if here.wavelength_nm < low_nm:
                    break
                if here.wavelength_nm <= high_nm:
                    found.append(here)
    return tuple(sorted(found, key=lambda each: -each.wavelength_nm))


def fsr_ghz(radius_um: float, wavelength_nm: float, polarisation: Polarisation = "TE") -> float:
    """Free spectral range of the q = 1 family at a wavelength: from the exact modes l and l + 1 around it, in GHz."""
    l = max(2, angular_near(polarisation, 1, radius_um, wavelength_nm))  # noqa: E741
    here, there = mode(polarisation, 1, l, radius_um), mode(polarisation, 1, l + 1, radius_um)
    return SPEED_OF_LIGHT_M_S * (1 / there.wavelength_nm - 1 / here.wavelength_nm)


def radiation_q(polarisation: Polarisation, q: int, l: int, index: float) -> float:  # noqa: E741
    """Q that radiation from the curved rim alone allows, x |F'(x)| (psi^2 + chi^2)/2 at the root of F.

    F is the mismatch of the two logarithmic derivatives; the outgoing wave adds i W/(psi^2 + chi^2) with the Wronskian
    W = 1. First order in the width: good where Q is far above 1.
    """
    x = size_parameter(polarisation, q, l, index)
    inside, outside = _psi(l, index * x), _chi(l, x)
    factor = index if polarisation == "TE" else 1 / index
    ratio_in, ratio_out = inside[1] / inside[0], outside[1] / outside[0]
    bend_in = l * (l + 1) / (index * x) ** 2 - 1 - ratio_in**2
    bend_out = l * (l + 1) / x**2 - 1 - ratio_out**2
    slope = abs(factor * index * bend_in - bend_out)
    return x * slope * (outside[0] ** 2 + _psi(l, x)[0] ** 2) / 2


def asymptotic_x(polarisation: Polarisation, q: int, l: int, index: float) -> float:  # noqa: E741
    """x by the asymptotic series in v = l + 1/2: within 1e-4 from l = 100 on, a start and no check value.

    Source: Lam, Leung and Young, JOSA B 9, 1585 (1992), from memory; confirmed by how its error falls.
    """
    v = l + 0.5
    a = -float(ai_zeros(q)[0][-1])
    p = index if polarisation == "TE" else 1 / index
    m2 = index**2 - 1
    third = 2 ** (-1 / 3)
    terms = (
        v,
        third * a * v ** (1 / 3),
        -p / math.sqrt(m2),
        0.3 * third**2 * a * a * v ** (-1 / 3),
        -third * p * (index**2 - 2 * p * p / 3) / m2**1.5 * a * v ** (-2 / 3),
    )
    return sum(terms) / index


def angular_near(polarisation: str, q: int, radius_um: float, wavelength_nm: float) -> int:
    """An l whose mode lies just above `wavelength_nm` or a little beyond."""
    index = refractive_index(wavelength_nm)
    x = 2 * math.pi * radius_um * 1e3 / wavelength_nm
    low, high = 1, LARGEST_L
    if asymptotic_x(polarisation, q, high, index) < x:  # type: ignore[arg-type]
        raise ValueError(f"a sphere of radius {radius_um:g} µm is too large for this table")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if asymptotic_x(polarisation, q, middle, index) < x else (low, middle)  # type: ignore[arg-type]
    return max(1, low - 1)


def _check(polarisation: str, q: int, l: int) -> None:  # noqa: E741
    if polarisation not in ("TE", "TM") or not 1 <= q <= MOST_Q or not 1 <= l <= LARGEST_L:
        raise ValueError(f"no mode {polarisation}{q}, l = {l}: TE or TM, q from 1 to {MOST_Q}, l up to {LARGEST_L}")


def _psi(l: int, z: float) -> tuple[float, float]:  # noqa: E741
    j = float(spherical_jn(l, z))
    return z * j, j + z * float(spherical_jn(l, z, derivative=True))


def _chi(l: int, z: float) -> tuple[float, float]:  # noqa: E741
    y = float(spherical_yn(l, z))
    if not math.isfinite(y):
        raise ValueError(f"l = {l} is too deep inside this sphere for the numbers here")
    return z * y, y + z * float(spherical_yn(l, z, derivative=True))


def _mismatch(polarisation: str, l: int, x: float, index: float) -> float:  # noqa: E741
    """The characteristic equation without its poles, outside wave scaled to one."""
    psi, psi_slope = _psi(l, index * x)
    chi, chi_slope = _chi(l, x)
    factor = index if polarisation == "TE" else 1 / index
    return factor * psi_slope - psi * chi_slope / chi


def _root(equation: object, seed: float) -> float:
    """The root next to the seed, bracketed outwards from it."""
    assert callable(equation)  # noqa: S101
    width = 1e-5
    while width < 0.03:
        low, high = seed * (1 - width), seed * (1 + width)
        if equation(low) * equation(high) <= 0:
            return float(brentq(equation, low, high, xtol=1e-12, rtol=1e-14))
        width *= 1.6
    raise ValueError("no resonance where its asymptotic place is")
