"""What could limit a Q: rough surface, adsorbed water, and the lifetime a Q stands for.

The loss of the glass itself is in `core.silica`. Estimates here differ several-fold between published
models: a page that shows one names the model, and none of them passes or fails a device.
"""

import math

from app.core.silica import SPEED_OF_LIGHT_M_S, refractive_index


def lifetime_ns(q: float, wavelength_nm: float) -> float:
    """Energy lifetime of a resonance, τ = Qλ/(2πc), in ns; `wavelength_nm` in vacuum."""
    return q * wavelength_nm / (2 * math.pi * SPEED_OF_LIGHT_M_S)


def scatter_q_vernooy(diameter_um: float, roughness_nm: float, correlation_nm: float, wavelength_nm: float) -> float:
    """Q limited by surface scatter, 3n²(n²+2)² λ^{7/2} D^{1/2} / [(4π)³ (n²−1)^{5/2} σ²B²].

    `roughness_nm` σ is the rms height, `correlation_nm` B the correlation length.
    Source: Vernooy et al., Opt. Lett. 23, 247 (1998), read second-hand.
    """
    n2 = refractive_index(wavelength_nm) ** 2
    wavelength, diameter, area2 = wavelength_nm * 1e-9, diameter_um * 1e-6, _area2(roughness_nm, correlation_nm)
    shape = 3 * n2 * (n2 + 2) ** 2 / ((4 * math.pi) ** 3 * (n2 - 1) ** 2.5)
    return shape * wavelength**3.5 * math.sqrt(diameter) / area2


def scatter_q_gorodetsky(diameter_um: float, roughness_nm: float, correlation_nm: float, wavelength_nm: float) -> float:
    """Q limited by surface scatter, 3λ³D/(16π² n σ²B²).

    Source: Gorodetsky, Pryamikov and Ilchenko, J. Opt. Soc. Am. B 17, 1051 (2000), read second-hand.
    """
    n = refractive_index(wavelength_nm)
    area2 = _area2(roughness_nm, correlation_nm)
    return 3 * (wavelength_nm * 1e-9) ** 3 * diameter_um * 1e-6 / (16 * math.pi**2 * n * area2)


def _area2(roughness_nm: float, correlation_nm: float) -> float:
    if not (roughness_nm > 0 and correlation_nm > 0):
        raise ValueError("roughness and correlation length are above zero")
    return (roughness_nm * correlation_nm * 1e-18) ** 2


def water_layer_q(
    diameter_um: float, layer_nm: float, wavelength_nm: float, absorption_per_m: float, water_index: float
) -> float:
    """Q limited by an adsorbed layer of water, 1/Q = [n_w β λ/2π] · 2δ/[R(n²−1)] (TE, perturbation).

    `absorption_per_m` β is the power absorption of water, `layer_nm` δ its thickness.
    """
    if not (layer_nm > 0 and absorption_per_m > 0 and diameter_um > 0):
        raise ValueError("diameter, layer and absorption are above zero")
    n2 = refractive_index(wavelength_nm) ** 2
    inside = 2 * layer_nm * 1e-9 / (diameter_um / 2 * 1e-6 * (n2 - 1))
    return 1 / (water_index * absorption_per_m * wavelength_nm * 1e-9 / (2 * math.pi) * inside)
