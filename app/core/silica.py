"""Fused silica: refractive and group index, free spectral range of a ring, loss of the glass itself."""

import math
from typing import overload

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SPEED_OF_LIGHT_M_S = 299_792_458.0
DB_PER_NEPER = 10 / math.log(10)

# Malitson, JOSA 55, 1205 (1965): strengths, and resonance wavelengths in µm; 20 °C, 0.21 to 3.71 µm.
_STRENGTHS = (0.6961663, 0.4079426, 0.8974794)
_RESONANCES_UM = (0.0684043, 0.1162414, 9.896161)
RANGE_NM = (210.0, 3710.0)


def _wavelength_um(wavelength_nm: float | Floats) -> Floats:
    um = np.asarray(wavelength_nm, dtype=float) / 1000
    if not bool(np.all((um >= RANGE_NM[0] / 1000) & (um <= RANGE_NM[1] / 1000))):
        raise ValueError(f"the index of silica is known from {RANGE_NM[0]:g} to {RANGE_NM[1]:g} nm only")
    return um


@overload
def refractive_index(wavelength_nm: float) -> float: ...
@overload
def refractive_index(wavelength_nm: Floats) -> Floats: ...
def refractive_index(wavelength_nm: float | Floats) -> float | Floats:
    """Refractive index of fused silica at 20 °C, n² − 1 = Σ B L²/(L² − C²), L the vacuum wavelength in µm.

    `wavelength_nm`: a number or an array of any shape within 210–3710 nm, else ValueError.
    Source: Malitson, JOSA 55, 1205 (1965).
    """
    square = _wavelength_um(wavelength_nm) ** 2
    terms = (b * square / (square - c * c) for b, c in zip(_STRENGTHS, _RESONANCES_UM, strict=True))
    n = np.sqrt(1 + sum(terms, np.zeros_like(square)))
    return n if n.ndim else float(n)


@overload
def group_index(wavelength_nm: float) -> float: ...
@overload
def group_index(wavelength_nm: Floats) -> Floats: ...
def group_index(wavelength_nm: float | Floats) -> float | Floats:
    """Group index of fused silica, n_g = n − L dn/dL = n + (L²/n) Σ B C²/(L² − C²)².

    `wavelength_nm`: a number or an array of any shape within 210–3710 nm, else ValueError.
    Source: derivative of Malitson, JOSA 55, 1205 (1965).
    """
    square = _wavelength_um(wavelength_nm) ** 2
    n = np.asarray(refractive_index(wavelength_nm))
    pairs = zip(_STRENGTHS, _RESONANCES_UM, strict=True)
    slope = sum((b * c * c / (square - c * c) ** 2 for b, c in pairs), np.zeros_like(square))
    n_g = n + square / n * slope
    return n_g if n_g.ndim else float(n_g)


def ring_fsr_ghz(diameter_um: float, wavelength_nm: float) -> float:
    """Free spectral range of a ring of silica, c/(n_g π D), in GHz.

    A whispering-gallery mode sits inside the rim, so the true range is larger: by 2 % at 60 µm, under 1 %
    from 200 µm on (against exact sphere modes).
    """
    _check_positive(diameter_um=diameter_um)
    return SPEED_OF_LIGHT_M_S / (group_index(wavelength_nm) * math.pi * diameter_um * 1e-6) / 1e9


def ring_fsr_nm(diameter_um: float, wavelength_nm: float) -> float:
    """Free spectral range of a ring of silica in vacuum wavelength, λ²/(n_g π D), in nm."""
    _check_positive(diameter_um=diameter_um)
    return wavelength_nm**2 * 1e-3 / (group_index(wavelength_nm) * math.pi * diameter_um)


def ring_diameter_um(fsr_ghz: float, wavelength_nm: float) -> float:
    """Diameter of a ring of silica from its free spectral range, c/(n_g π FSR), in µm."""
    _check_positive(fsr_ghz=fsr_ghz)
    return SPEED_OF_LIGHT_M_S / (group_index(wavelength_nm) * math.pi * fsr_ghz * 1e9) * 1e6


def absorption_q(loss_db_km: float, wavelength_nm: float) -> float:
    """Intrinsic Q that the loss of the glass alone would allow, 2πn/(αλ), α = loss_db_km / 4342.94 per metre.

    Source: Gorodetsky, Savchenkov and Ilchenko, Opt. Lett. 21, 453 (1996).
    """
    _check_positive(loss_db_km=loss_db_km)
    alpha_per_m = loss_db_km / (1000 * DB_PER_NEPER)
    return 2 * math.pi * refractive_index(wavelength_nm) / (alpha_per_m * wavelength_nm * 1e-9)


def fibre_loss_db_km(wavelength_nm: float) -> float:
    """Least loss of good silica fibre, 0.8/L⁴ (Rayleigh) + 7.81e11 exp(−48.48/L) (infrared edge), L in µm.

    No water peak: a limit nothing made of silica has passed, not a prediction. Coefficients from memory
    (fibre textbooks); they put the minimum at 0.16 dB/km near 1.55 µm.
    """
    um = float(_wavelength_um(wavelength_nm))
    return 0.8 / um**4 + 7.81e11 * math.exp(-48.48 / um)


def silica_limit_q(wavelength_nm: float) -> float:
    """Highest intrinsic Q that good silica allows at this wavelength: `absorption_q` at `fibre_loss_db_km`."""
    return absorption_q(fibre_loss_db_km(wavelength_nm), wavelength_nm)


def _check_positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name} must be above zero, not {value}")
