"""A Gaussian laser beam on the chip: peak intensity, fluence and energy from power, spot and exposure.

The spot is always the 1/e² diameter: I(r) = (2P/πw²) exp(−2r²/w²), w half of it.
"""

import math


def _radius_cm(spot_um: float) -> float:
    if not (math.isfinite(spot_um) and spot_um > 0):
        raise ValueError(f"a spot is wider than zero, not {spot_um} µm")
    return spot_um / 2 * 1e-4


def peak_intensity_w_cm2(power_w: float, spot_um: float) -> float:
    """Intensity at the beam's centre, 2P/(πw²), in W/cm²; `spot_um` is the 1/e² diameter."""
    return 2 * power_w / (math.pi * _radius_cm(spot_um) ** 2)


def intensity_w_cm2(power_w: float, spot_um: float, offset_um: float) -> float:
    """Intensity a distance off the beam's centre, (2P/πw²) exp(−2r²/w²), in W/cm²."""
    return peak_intensity_w_cm2(power_w, spot_um) * math.exp(-8 * (offset_um / spot_um) ** 2)


def power_inside_w(power_w: float, spot_um: float, radius_um: float) -> float:
    """Power that falls within a radius of a centred beam, P (1 − exp(−2r²/w²)), in W."""
    _radius_cm(spot_um)
    return -power_w * math.expm1(-8 * (radius_um / spot_um) ** 2)


def fluence_j_cm2(power_w: float, spot_um: float, exposure_s: float) -> float:
    """Fluence at the beam's centre of one exposure, peak intensity × time, in J/cm²."""
    return peak_intensity_w_cm2(power_w, spot_um) * exposure_s


def energy_j(power_w: float, exposure_s: float) -> float:
    """Energy of one exposure, P t, in J."""
    return power_w * exposure_s


def half_maximum_um(spot_um: float) -> float:
    """Full width at half maximum of the spot, 1.17741 w, in µm."""
    return spot_um / 2 * math.sqrt(2 * math.log(2))


def spot_from_knife_edge_um(travel_10_90_um: float) -> float:
    """1/e² diameter from a knife edge's travel between 10 and 90 % of the power, 2 × travel/1.28155, in µm."""
    return 2 * travel_10_90_um / 1.2815515655446004
