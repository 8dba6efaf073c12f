"""Lithography: dose of an exposure."""


def dose_mj_cm2(lamp_mw_cm2: float, exposure_s: float) -> float:
    """Dose of an exposure, lamp intensity × time, in mJ/cm²; ValueError below zero."""
    if min(lamp_mw_cm2, exposure_s) < 0:
        raise ValueError("a lamp's intensity and an exposure are zero or more")
    return lamp_mw_cm2 * exposure_s
