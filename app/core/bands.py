"""The wavelength band of a resonance: Q is never pooled over bands."""

from __future__ import annotations

CUSTOMARY_NM = (405, 460, 532, 633, 670, 780, 850, 980, 1064, 1310, 1480, 1550, 1620, 2000)
"""Wavelengths at which probe lasers are customarily sold (common practice, from memory)."""


def band_of(wavelength_nm: float) -> str:
    """The nearest customary wavelength where it is within 2.5 %, else the wavelength to the nearest 50 nm."""
    nearest = min(CUSTOMARY_NM, key=lambda customary: abs(customary - wavelength_nm))
    if abs(nearest - wavelength_nm) <= 0.025 * nearest:
        return f"{nearest} nm"
    return f"{50 * round(wavelength_nm / 50)} nm"
