"""What a person does about each check of a scan: its name, and how the doubt is settled."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Advice:
    """`name` heads the check; `settle` says what to do about it, found or not checkable."""

    name: str
    settle: str


ADVICE: dict[str, Advice] = {
    "axis_unverified": Advice(
        "Frequency axis",
        "calibrate the tuning rate (fringes of known spacing, or sidebands), and state its uncertainty.",
    ),
    "near_critical": Advice(
        "Near critical coupling", "move the taper away until the dip is shallower, and scan again."
    ),
    "regime_contradicted": Advice(
        "Coupling regime", "take the reading that the line shape gives, or settle it with a series of taper positions."
    ),
    "thermal_drag": Advice(
        "Heating by absorbed light", "scan in both directions, and once more at half the input power."
    ),
    "ringing": Advice("Ringing of a fast sweep", "scan at half the rate: a width that stays is the resonance's own."),
    "detector_bandwidth": Advice(
        "Detector bandwidth", "scan at half the rate, or use a faster detector or filter setting."
    ),
    "clipping": Advice("Clipped or saturated samples", "lower the gain or the light until the trace stays in range."),
    "too_few_points": Advice("Samples across the dip", "record more samples, or scan over less."),
    "narrow_window": Advice("Baseline beside the dip", "scan over at least five linewidths to each side."),
    "laser_linewidth": Advice(
        "The laser's own linewidth", "measure a ring-down, or enter the laser's linewidth with its averaging time."
    ),
    "dark_level": Advice("Detector without light", "block the light, read the detector, and enter its dark level."),
    "uncoupled_light": Advice("Light that cannot couple", "turn the polarisation for the deepest dip, and scan again."),
    "steep_background": Advice(
        "Background across the dip", "fit a narrower window, or straighten the background at the taper."
    ),
    "crossing_modes": Advice("Another mode on top", "shift the modes apart by temperature, or fit another resonance."),
    "assumed_db": Advice("Decibels or linear", "say in which unit the signal was recorded."),
    "axis_too_coarse": Advice("Rounding of the axis", "export the axis with more digits."),
}
"""By check code; a code that is not listed shows under its own name."""


def advice_for(code: str) -> Advice:
    """Name and remedy of a check, whatever its code."""
    return ADVICE.get(code, Advice(code.replace("_", " ").capitalize(), "look at the scan and the residuals."))


def words_of(text: str) -> str:
    """A check's sentences without those that speak of options of the command line."""
    kept = [part for part in text.split(". ") if "--" not in part]
    whole = ". ".join(kept).strip()
    return whole if not whole or whole.endswith((".", "!", "?", "…")) else f"{whole}."
