"""What silica, surface, water and radiation allow of a Q, and whether a Q is too good or oddly low for that."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from app.core.process.limits import scatter_q_gorodetsky, scatter_q_vernooy, water_layer_q
from app.core.silica import SPEED_OF_LIGHT_M_S, refractive_index, ring_fsr_ghz, silica_limit_q
from app.core.sphere_modes import angular_near, radiation_q

ROUGHNESS_NM, CORRELATION_NM = 2.0, 5.0
"""A melted surface: rms height and correlation length as Vernooy et al. (1998) take them, read second-hand."""
WATER_NM, WATER_INDEX, WATER_ABSORPTION_PER_M = 0.2, 1.318, 1100.0
"""A monolayer of water in room air and water's absorption at 1550 nm, from memory."""
WATER_BAND_NM = (1500.0, 1600.0)
"""Where that absorption holds."""
SMALL_RIM = 22.0
"""Diameter over wavelength below which radiation from the rim allows less than about 10^12."""
ODDLY_LOW = 100.0
"""A Q this many times below the least of the estimates is worth a look."""

Notice = Literal["too_good", "oddly_low", ""]


@dataclass(frozen=True)
class Limit:
    """One mechanism with the Q it would allow alone; `certain` only for the glass, the rest are models."""

    name: str
    q: float
    source: str
    certain: bool = False


def limits(wavelength_nm: float, diameter_um: float | None, medium: str = "air") -> tuple[Limit, ...]:
    """Limits of a silica resonator at a wavelength, least first; surface and water only where the size is known.

    Radiation only where the rim is short enough (under 22 wavelengths across) to matter. ValueError outside
    210-3710 nm.
    """
    found = [
        Limit("Glass", silica_limit_q(wavelength_nm), "scattering and infrared edge of the best fibre", certain=True)
    ]
    if diameter_um is not None:
        surface = f"{ROUGHNESS_NM:g} nm rough over {CORRELATION_NM:g} nm"
        found += [
            Limit(
                "Surface",
                scatter_q_gorodetsky(diameter_um, ROUGHNESS_NM, CORRELATION_NM, wavelength_nm),
                f"{surface}, Gorodetsky et al. 2000",
            ),
            Limit(
                "Surface",
                scatter_q_vernooy(diameter_um, ROUGHNESS_NM, CORRELATION_NM, wavelength_nm),
                f"{surface}, Vernooy et al. 1998",
            ),
        ]
        if medium == "air" and WATER_BAND_NM[0] <= wavelength_nm <= WATER_BAND_NM[1]:
            water = water_layer_q(diameter_um, WATER_NM, wavelength_nm, WATER_ABSORPTION_PER_M, WATER_INDEX)
            found.append(Limit("Water", water, f"a layer of {WATER_NM:g} nm from room air"))
        if diameter_um * 1e3 < SMALL_RIM * wavelength_nm:
            order = angular_near("TE", 1, diameter_um / 2, wavelength_nm)
            rim = radiation_q("TE", 1, order, refractive_index(wavelength_nm))
            found.append(Limit("Radiation", rim, "from the curved rim of a sphere, exact"))
    return tuple(sorted(found, key=lambda limit: limit.q))


def notice(q_low: float | None, q_high: float | None, against: tuple[Limit, ...]) -> Notice:
    """Too good: even the lower end of Q is above what the glass allows. Oddly low: the upper end a hundred times
    below the least of the limits."""
    glass = next(limit.q for limit in against if limit.certain)
    if q_low is not None and q_low > glass:
        return "too_good"
    if q_high is not None and q_high * ODDLY_LOW < min(limit.q for limit in against):
        return "oddly_low"
    return ""


def finesse(q: float, wavelength_nm: float, diameter_um: float) -> float:
    """Free spectral range over linewidth, F = FSR Q/nu, with the range of a ring of this diameter.

    A ring's range is 2 % below the true one at 60 µm, under 1 % from 200 µm.
    """
    if not (math.isfinite(q) and q > 0):
        raise ValueError(f"a Q is above zero, not {q}")
    return ring_fsr_ghz(diameter_um, wavelength_nm) * q / (SPEED_OF_LIGHT_M_S / wavelength_nm)
