"""Loaded to intrinsic: Q, lifetimes, the other reading, and the grade."""

from __future__ import annotations

from typing import Literal

import numpy as np

from app.core.optics.results import SPEED_OF_LIGHT_M_PER_S, Measured, Mode, Reading
from app.core.optics.widths import Ends, Widths


def linewidth_mhz(q: float, wavelength_nm: float) -> float:
    """Full width at half maximum: nu/Q."""
    return frequency_mhz(wavelength_nm) / q


def frequency_mhz(wavelength_nm: float) -> float:
    """Optical frequency c/lambda in MHz."""
    return SPEED_OF_LIGHT_M_PER_S * 1e3 / wavelength_nm


def lifetime_ns(width_mhz: float) -> float:
    """Photon (energy) lifetime 1/(2 pi linewidth)."""
    return 1e3 / (2.0 * np.pi * width_mhz)


def intrinsic_of_single(q_loaded: float, t_min: float, reading: Reading) -> float:
    """Q_0 = 2 Q_L / (1 + s sqrt(T_min)), s = +1 under-, -1 over-coupled (science of a single dip)."""
    s = 1.0 if reading == "under" else -1.0
    return 2.0 * q_loaded / (1.0 + s * float(np.sqrt(t_min)))


def intrinsic_of_resolved_split(q_loaded: float, t_min: float) -> float:
    """Q_0 = Q_L / sqrt(T_min), from the floor (1 - eta)^2 of each dip of a resolved pair."""
    return q_loaded / float(np.sqrt(t_min))


def silica_limit(wavelength_nm: float) -> float:
    """Highest Q that silica's own loss allows: 2 pi n/(alpha lambda), alpha = scattering + infrared absorption.

    Scattering 0.7 dB/km um^4/lambda^4 and infrared edge 7.81e11 exp(-48.48 um/lambda) dB/km, the lowest values in
    common use (from memory), with n = 1.45: a ceiling to refuse absurd readings by, not a prediction.
    """
    um = wavelength_nm * 1e-3
    db_per_km = 0.7 / um**4 + 7.81e11 * float(np.exp(-48.48 / um))
    return 4342.94 * 2.0 * np.pi * 1.45 / (db_per_km * um * 1e-6)


def modes_of(
    widths: Widths, others: tuple[float, ...] | None, nu_mhz: float, shift_mhz: float, rel: float | None
) -> tuple[Mode, ...]:
    """The modes: `widths` in MHz, `others` Q in the other reading, `nu_mhz` at detuning 0 before `shift_mhz`."""
    modes = []
    t_min = 1.0 - widths.contrast.value
    for i, (detuning, width, intrinsic) in enumerate(
        zip(widths.detunings, widths.linewidths, widths.intrinsic, strict=True)
    ):
        nu = nu_mhz + detuning.value
        alternative = None if others is None or t_min >= 0.5 else others[i]
        if alternative is not None and not 0 < alternative < silica_limit(frequency_mhz(1.0) / nu):
            alternative = None
        modes.append(
            Mode(
                detuning_mhz=detuning.shifted(shift_mhz).measured(rel),
                linewidth_mhz=width.measured(rel),
                q_loaded=width.inverse(nu).measured(rel),
                q_intrinsic=intrinsic.inverse(nu).measured(rel),
                q_intrinsic_other=alternative,
                lifetime_ns=width.inverse(1e3 / (2.0 * np.pi)).measured(rel),
            )
        )
    return tuple(modes)


def device_q(mean_intrinsic: Ends, nu_mhz: float, rel: float | None) -> Measured:
    """nu over the mean intrinsic width of the modes: never the narrower half of a pair."""
    return mean_intrinsic.inverse(nu_mhz).measured(rel)


def grade(
    *, contrast: float, reading: Reading, resolved_split: bool, rel_sigma: float | None
) -> Literal["A", "B", "C"]:
    """A: under-coupled with T_min >= 0.8 and the axis known to 5 %; B: T_min from 0.1, or a resolved split; else C.

    A T_min of 0.8 or more that misses A only for its axis is B; the over-coupled reading of one is C.
    """
    t_min = 1.0 - contrast
    if t_min >= 0.8 and reading == "under" and rel_sigma is not None and rel_sigma <= 0.05:
        return "A"
    if resolved_split or 0.1 <= t_min < 0.8 or (t_min >= 0.8 and reading == "under"):
        return "B"
    return "C"
