"""Oxide etch: how long a film takes, how the rate moves with temperature, how far it creeps under the resist."""

import math

BOLTZMANN_EV_K = 8.617333262e-5
ZERO_CELSIUS_K = 273.15

# Thermal oxide at about 20 °C, from Williams, Gupta and Wasilik, J. Microelectromech. Syst. 12, 761 (2003).
# Starting values for a bath nobody has measured yet; a bath's own rate always comes first.
THERMAL_OXIDE_NM_PER_MIN = {
    "BHF 5:1": 100.0,
    "BHF 10:1": 50.0,
    "HF 49 %": 2300.0,
    "HF 10:1": 23.0,
    "HF 25:1": 9.7,
    "HF 100:1": 2.3,
}


def etch_time_s(thickness_nm: float, rate_nm_per_min: float, over_etch_percent: float = 0.0) -> float:
    """Time to clear a film, t = d/R (1 + over-etch), in seconds; ValueError unless rate > 0 and the rest ≥ 0."""
    if not (rate_nm_per_min > 0 and thickness_nm >= 0 and over_etch_percent >= 0):
        raise ValueError("an etch needs a rate above zero, a thickness and an over-etch of zero or more")
    return 60 * thickness_nm / rate_nm_per_min * (1 + over_etch_percent / 100)


def measured_rate_nm_per_min(removed_nm: float, time_s: float) -> float:
    """Rate a bath showed on a monitor piece, R = d/t, in nm per minute; ValueError unless time > 0."""
    if not (time_s > 0 and removed_nm >= 0):
        raise ValueError("a rate needs a time above zero and a removed thickness of zero or more")
    return 60 * removed_nm / time_s


def rate_at_temperature(
    rate_nm_per_min: float, known_at_c: float, wanted_at_c: float, activation_ev: float = 0.40
) -> float:
    """Etch rate at another bath temperature, R(T) = R(T₀) exp[Eₐ/k (1/T₀ − 1/T)].

    Eₐ of buffered HF on thermal oxide is given as 0.30 to 0.45 eV (from memory); quartz in HF 0.44 eV
    (X. G. Zhang, Electrochemistry of Silicon and Its Oxide, ch. 4).
    """
    known_k, wanted_k = known_at_c + ZERO_CELSIUS_K, wanted_at_c + ZERO_CELSIUS_K
    if min(known_k, wanted_k) <= 0:
        raise ValueError("a temperature lies above −273.15 °C")
    return rate_nm_per_min * math.exp(activation_ev / BOLTZMANN_EV_K * (1 / known_k - 1 / wanted_k))


def disc_top_after_etch_um(resist_um: float, thickness_nm: float, over_etch_percent: float = 0.0) -> float:
    """Diameter of a disc's upper face after an isotropic etch, D − 2 d (1 + over-etch), in µm, not below zero.

    Sideways the etch goes as far as downwards; the lower face, which clears last, loses the over-etch only.
    """
    return max(0.0, resist_um - 2e-3 * thickness_nm * (1 + over_etch_percent / 100))
