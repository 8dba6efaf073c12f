"""What is true of each invented device and what a person would see: losses add, mishaps happen.

The numbers are invented and only look like the trade's. Loss rates add as inverse Q, as they do in a resonator.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.core.process.melt import NoShape, toroid_minor_simple_um

LIGHT_MHZ_NM = 299_792_458.0 * 1e3
"""Optical frequency in MHz times vacuum wavelength in nm."""

EDGE_Q = {1: 1.5e8, 2: 9.0e8}
"""Scattering at the rim, by lithography version: smoothing the resist edge smooths the oxide's."""
MELT_Q = {1: 2.5e8, 2: 9.0e8}
"""What the melt leaves, by reflow version: the first recipe boils some silica off."""
GLASS_Q = 4.0e9
SPHERE_Q = {1: 2.6e8, 2: 7.0e8}
UM_PER_TORR_S = 0.01144
"""Undercut per side for each Torr·s of XeF₂ in this lab's chamber with two chips in it."""

REFLOW_OUTCOMES: dict[int, dict[str, float]] = {
    1: {"good": 0.75, "not_closed": 0.10, "over_melted": 0.08, "off_centre": 0.05, "buckled": 0.02},
    2: {"good": 0.90, "not_closed": 0.04, "off_centre": 0.03, "over_melted": 0.02, "buckled": 0.01},
}
MISALIGNED = {"good": 0.26, "off_centre": 0.60, "not_closed": 0.14}
MELT_OUTCOMES: dict[int, dict[str, float]] = {
    1: {"good": 0.80, "not_closed": 0.08, "off_centre": 0.12},
    2: {"good": 0.92, "not_closed": 0.03, "off_centre": 0.05},
}
REFLOW_DEFECTS = {
    "off_centre": "rim_off_centre",
    "not_closed": "rim_not_closed",
    "over_melted": "rim_over_melted",
    "buckled": "buckled_disc",
}


def draw(rng: np.random.Generator, chances: dict[str, float]) -> str:
    """One of the words, each as likely as its chance says."""
    return str(rng.choice(list(chances), p=list(chances.values())))


def pillar_loss_q(pillar_ratio: float) -> float:
    """Q that the pillar under the rim allows: the wider its top, the more light it takes."""
    return 3.0e8 * float(np.exp(18 * (0.42 - pillar_ratio)))


def own_dex(rng: np.random.Generator) -> float:
    """What one device adds to log₁₀ Q: ordinary spread, and for one in eight a speck on the rim."""
    speck = -abs(float(rng.normal(0.45, 0.2))) if rng.random() < 0.125 else 0.0
    return float(rng.normal(0, 0.13)) + speck


@dataclass(frozen=True)
class Made:
    """How a device was made, as far as its Q feels it; `shift_dex` gathers wafer, session and device."""

    kind: str
    lithography: int
    reflow: int
    pillar_ratio: float
    shift_dex: float
    days_in_air: float


def intrinsic_q(made: Made) -> float:
    """Intrinsic Q from the sum of losses, moved by `shift_dex` decades."""
    if made.kind == "microsphere":
        losses = 1 / SPHERE_Q[made.reflow] + 1 / GLASS_Q
    else:
        losses = 1 / EDGE_Q[made.lithography] + 1 / MELT_Q[made.reflow] + 1 / pillar_loss_q(made.pillar_ratio)
    water = 1 / (2.5e9 / (1 + made.days_in_air / 4))
    return float(10**made.shift_dex / (losses + 1 / GLASS_Q + water))


@dataclass(frozen=True)
class Mode:
    """One resonance: vacuum wavelength and rates in MHz of ordinary frequency, `splitting_mhz` = 2g."""

    wavelength_nm: float
    intrinsic_mhz: float
    coupling_mhz: float
    splitting_mhz: float


def mode(rng: np.random.Generator, made: Made, band_nm: tuple[float, float]) -> Mode:
    """A resonance of a device within the laser's range, mostly undercoupled, split by what scatters in it."""
    wavelength_nm = float(rng.uniform(*band_nm))
    q = intrinsic_q(made) * float(10 ** rng.normal(0, 0.08))
    intrinsic_mhz = LIGHT_MHZ_NM / wavelength_nm / q
    coupling_mhz = intrinsic_mhz * float(np.clip(np.exp(rng.normal(-1.6, 0.6)), 0.03, 0.75))
    typical_mhz = 0.25 if made.kind == "microsphere" else 1.6
    return Mode(wavelength_nm, intrinsic_mhz, coupling_mhz, typical_mhz * float(np.exp(rng.normal(0, 0.9))))


def undercut_um(rng: np.random.Generator, dose_torr_s: float) -> float:
    """Undercut per side of one run on its chips."""
    return UM_PER_TORR_S * dose_torr_s * float(rng.normal(1, 0.025))


def rim(disc_um: float, oxide_um: float, reflow: int, rng: np.random.Generator) -> tuple[float, float]:
    """Outer and minor diameter after reflow in µm: the volume of the melted ring is kept."""
    outer = disc_um * ({1: 0.76, 2: 0.80}[reflow] + float(rng.normal(0, 0.012)))
    minor = toroid_minor_simple_um(disc_um, oxide_um, outer)
    if isinstance(minor, NoShape):
        raise ValueError(f"no rim of a {disc_um} µm disc shrinks to {outer} µm: {minor}")
    return outer, minor
