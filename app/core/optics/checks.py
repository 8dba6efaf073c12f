"""The checks of a scan: a closed list of codes, each found, clear, or not checkable (which is no clearance)."""

from __future__ import annotations

from app.core.optics.results import Check, CheckState

CHECK_CODES: dict[str, str] = {
    "axis_unverified": "the uncertainty of the frequency axis is not stated",
    "near_critical": "intrinsic Q is bounded on one side only, at twice the loaded Q",
    "regime_contradicted": "the line shape contradicts the coupling regime asked for",
    "thermal_drag": "absorbed light heats the resonator and drags the resonance along with the sweep",
    "ringing": "the sweep crosses the resonance faster than it can follow",
    "detector_bandwidth": "the detector or its filter smears the dip",
    "clipping": "samples are clipped or the detector saturates",
    "too_few_points": "too few samples across the linewidth",
    "narrow_window": "too little baseline beside the dip",
    "laser_linewidth": "the laser's own linewidth adds to the resonance's",
    "dark_level": "the detector's level without light enters intrinsic Q",
    "uncoupled_light": "light that cannot couple (wrong polarisation, multimode taper) lifts the dip's floor",
    "steep_background": "the background changes much over one linewidth, or interferes with the resonance",
    "crossing_modes": "another mode overlaps this one",
    "assumed_db": "the signal was taken to be in decibels",
    "axis_too_coarse": "the axis was rounded by whatever wrote the file",
}

_NOT_YET = {
    "thermal_drag": "Thermal drag cannot be seen in one sweep: compare both directions and several powers.",
    "ringing": "Ringing is not examined: keep the sweep below 0.03 linewidths per photon lifetime.",
    "detector_bandwidth": "The detector's bandwidth is not known here: it should be ten times faster than the dip.",
    "clipping": "Clipped samples are not looked for: see that the trace stays within the detector's range.",
    "too_few_points": "The number of samples a linewidth is reported, not judged.",
    "narrow_window": "The width of the window is not judged: show five linewidths to each side.",
    "laser_linewidth": "The laser's linewidth is not known here; unless it is small, Q is a lower bound.",
    "dark_level": "The dark level is taken as given (0 if not): an unknown one shifts intrinsic Q.",
    "uncoupled_light": "One scan cannot show light that cannot couple; it makes intrinsic Q look too high or low.",
    "steep_background": "Interference with the background is not examined.",
    "crossing_modes": "Crossing with another mode is not examined.",
    "assumed_db": "The signal was read as linear power.",
    "axis_too_coarse": "Rounding of the axis is not examined.",
}


def checks(*, rel_sigma: float | None, near_critical: bool, contradicted: str | None) -> tuple[Check, ...]:
    """All checks in the order of CHECK_CODES; `contradicted` is the reading the line shape overruled, if any."""
    known = {
        "axis_unverified": _axis(rel_sigma),
        "near_critical": _state(
            near_critical,
            "Near critical coupling: intrinsic Q is bounded on one side only, at twice the loaded Q.",
            "Coupling is far enough from critical for an interval of intrinsic Q with two ends.",
        ),
        "regime_contradicted": _state(
            contradicted is not None,
            f"The line shape rules out {contradicted}-coupling, which was asked for; the other reading is given.",
            "Nothing in the line shape contradicts the regime given.",
        ),
    }
    out = []
    for code in CHECK_CODES:
        state, text = known.get(code, ("not_checkable", _NOT_YET.get(code, "")))
        out.append(Check(code, state, None, text))
    return tuple(out)


def _axis(rel_sigma: float | None) -> tuple[CheckState, str]:
    if rel_sigma is None:
        return (
            "found",
            "The axis has no stated uncertainty: Q is as good as its calibration. State it with --tuning-sigma.",
        )
    return "clear", f"The axis is stated to {100 * rel_sigma:.2g} %, which is part of every interval."


def _state(found: bool, yes: str, no: str) -> tuple[CheckState, str]:
    return ("found", yes) if found else ("clear", no)
