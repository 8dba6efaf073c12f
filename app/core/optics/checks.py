"""The checks of a scan: a closed list of codes, each found, clear, or not checkable (which is no clearance)."""

from __future__ import annotations

from dataclasses import dataclass

from app.core.optics.faults import SLOW, Clipped
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

WORTH_PERCENT = 2.0
"""Bias from which on a check is raised; half of the 95 % interval does too, where that is less."""


@dataclass(frozen=True)
class Facts:
    """What was found out about one fitted scan; biases in per cent of the width unless said otherwise.

    `interval_percent`: half the 95 % interval of the width. `odd`: kind, bias of the plain dip's width and of its
    intrinsic Q, and chi^2 gained, for each distortion that beats the plain dip, best first; `would_show`: the kinds
    that would have shown themselves if they mattered. `dragged`: heated beyond what the shape can follow; `poor`:
    no shape tells the dip, so that none of the distortions can be blamed.
    """

    rel_sigma: float | None
    near_critical: bool
    contradicted: str | None
    interval_percent: float
    odd: tuple[tuple[str, float, float, float], ...]
    would_show: frozenset[str]
    dragged: bool
    poor: bool
    sweep: float | None
    sweep_bias: float
    overshoot: float
    clipped: Clipped
    clipping_bias: float | None
    points_per_width: float
    sampling_bias: float
    widths_beside: float
    laser_mhz: float | None
    laser_bias: float | None
    dark_given: bool
    dark_effect: float
    ripple: float
    ripple_bias: float
    overlap: float
    db: str
    coarse_bias: float
    coarse: bool

    def matters(self, bias: float) -> bool:
        """Whether a bias exceeds 2 % or half the interval."""
        return abs(bias) > min(WORTH_PERCENT, self.interval_percent)


Verdict = tuple[CheckState, float | None, str]


def checks(facts: Facts) -> tuple[Check, ...]:
    """All checks in the order of CHECK_CODES."""
    verdicts: dict[str, Verdict] = {
        "axis_unverified": _axis(facts.rel_sigma),
        "near_critical": _said(
            facts.near_critical,
            "Near critical coupling: intrinsic Q is bounded on one side only, at twice the loaded Q.",
            "Coupling is far enough from critical for an interval of intrinsic Q with two ends.",
        ),
        "regime_contradicted": _said(
            facts.contradicted is not None,
            f"The line shape rules out {facts.contradicted}-coupling, which was asked for; the other reading is given.",
            "Nothing in the line shape contradicts the regime given.",
        ),
        "thermal_drag": _thermal(facts),
        "ringing": _ringing(facts),
        "detector_bandwidth": _detector(facts),
        "clipping": _clipping(facts),
        "too_few_points": _sampling(facts),
        "narrow_window": _window(facts),
        "laser_linewidth": _laser(facts),
        "dark_level": _dark(facts),
        "uncoupled_light": (
            "not_checkable",
            None,
            "One scan cannot show light that cannot couple; it makes intrinsic Q look too high or low.",
        ),
        "steep_background": _background(facts),
        "crossing_modes": _crossing(facts),
        "assumed_db": _decibels(facts),
        "axis_too_coarse": _coarse(facts),
    }
    return tuple(Check(code, *verdicts[code]) for code in CHECK_CODES)


def _said(found: bool, yes: str, no: str) -> Verdict:
    return ("found", None, yes) if found else ("clear", None, no)


def _axis(rel_sigma: float | None) -> Verdict:
    if rel_sigma is None:
        text = "The axis has no stated uncertainty: Q is as good as its calibration. State it with --tuning-sigma."
        return "found", None, text
    return "clear", None, f"The axis is stated to {100 * rel_sigma:.2g} %, which is part of every interval."


def _odd(facts: Facts, kind: str) -> tuple[float, float, bool] | None:
    """Bias of width and of intrinsic Q, and whether this kind tells the dip as well as any."""
    for name, width, intrinsic, gain in facts.odd:
        if name == kind and not facts.poor:
            return width, intrinsic, gain > facts.odd[0][3] - 6.0
    return None


def _thermal(facts: Facts) -> Verdict:
    if facts.dragged:
        text = "Heating drags the dip further than can be undone: its Q is a lower bound at best. Scan with less light."
        return "found", None, text
    odd = _odd(facts, "skew")
    if odd is not None and odd[2] and facts.matters(odd[0]):
        text = (
            f"The dip leans as one that heats itself does; taken as symmetric it would be {odd[0]:+.1f} % off in width."
        )
        return "found", odd[0], text
    return (
        "not_checkable",
        None,
        "Thermal drag cannot be cleared by one sweep: compare both directions and several powers.",
    )


def _ringing(facts: Facts) -> Verdict:
    if facts.sweep is not None:
        if facts.matters(facts.sweep_bias):
            slower = facts.sweep / SLOW
            text = (
                f"The sweep crosses the dip at {facts.sweep:.2g} of the square of its width: the width is off by about "
                f"{facts.sweep_bias:+.1f} %. Sweep at least {slower:.2g} times slower."
            )
            return "found", facts.sweep_bias, text
        return "clear", facts.sweep_bias, f"The sweep is slow enough: {facts.sweep:.2g} of the square of the width."
    if facts.overshoot > 6.0 and not facts.dragged:
        text = "The light swings about the curve on one side of the dip only, as in a sweep too fast: sweep slower."
        return "found", None, text
    return "not_checkable", None, "The sweep's rate is not known here, and slight ringing does not show by itself."


def _detector(facts: Facts) -> Verdict:
    odd = _odd(facts, "lag")
    if odd is not None and odd[2] and facts.matters(odd[0]):
        text = f"The dip trails off to one side as behind a slow detector, which makes it {odd[0]:+.1f} % wider."
        return "found", odd[0], text
    if "lag" in facts.would_show and odd is None:
        return "clear", None, "A detector slow enough to matter would show as a trailing edge; there is none."
    return "not_checkable", None, "A slow detector would not show here: its bandwidth should be ten times the dip's."


def _clipping(facts: Facts) -> Verdict:
    number = facts.clipped.low + facts.clipped.high
    if not number:
        return "clear", None, "No run of samples is stuck at an end of the range."
    where = " and ".join(name for name, n in (("lowest", facts.clipped.low), ("highest", facts.clipped.high)) if n)
    text = f"{number} samples are stuck at the {where} value: the trace is clipped."
    bias = facts.clipping_bias
    if bias is not None and not facts.matters(bias):
        return "clear", bias, text.removesuffix("clipped.") + "clipped, but not where it moves the width."
    return "found", bias, text


def _sampling(facts: Facts) -> Verdict:
    points = facts.points_per_width
    if facts.sampling_bias > WORTH_PERCENT or points < 3.0:
        text = f"Only {points:.1f} samples lie on a linewidth: a detector that averages over a step widens the dip."
        return "found", facts.sampling_bias, text
    return "clear", facts.sampling_bias, f"{points:.0f} samples lie on a linewidth."


def _window(facts: Facts) -> Verdict:
    beside = facts.widths_beside
    if beside < 2.0:
        text = f"Only {beside:.1f} linewidths of baseline lie beside the dip: its width and depth hang on the baseline."
        return "found", None, text
    return "clear", None, f"{beside:.0f} linewidths of baseline lie beside the dip."


def _laser(facts: Facts) -> Verdict:
    if facts.laser_mhz is None or facts.laser_bias is None:
        text = "The laser's linewidth is not known here; unless it is small, Q is a lower bound."
        return "not_checkable", None, text
    if facts.matters(facts.laser_bias):
        text = f"The laser's own linewidth, {facts.laser_mhz:.3g} MHz, widens the dip by {facts.laser_bias:.1f} %."
        return "found", facts.laser_bias, text
    return "clear", facts.laser_bias, f"The laser's linewidth, {facts.laser_mhz:.3g} MHz, is small beside the dip's."


def _dark(facts: Facts) -> Verdict:
    if facts.dark_given:
        return "clear", None, "The detector's level without light was given and is taken off."
    text = (
        f"The dark level is taken as 0, for want of a measured one: each 1 % of the light that it really is changes "
        f"intrinsic Q by {facts.dark_effect:+.1f} %."
    )
    return "not_checkable", None, text


def _background(facts: Facts) -> Verdict:
    odd = _odd(facts, "fano")
    if odd is not None and odd[2] and (facts.matters(odd[1]) or facts.matters(odd[0])):
        text = f"Light past the resonance interferes with it; a plain dip would put intrinsic Q off by {odd[1]:+.1f} %."
        return "found", odd[1], text
    if facts.ripple and facts.matters(facts.ripple_bias):
        text = (
            f"The background ripples by {100 * facts.ripple:.2g} %; the fit allows for it, and without that the width "
            f"would be off by {facts.ripple_bias:+.1f} %."
        )
        return "found", facts.ripple_bias, text
    if "fano" in facts.would_show and odd is None:
        return "clear", None, "Interference that matters would make the dip lopsided; it is not."
    return "not_checkable", None, "Slight interference with the background would not show in this scan."


def _crossing(facts: Facts) -> Verdict:
    if facts.overlap > 0.03:
        text = f"The fit leaves {100 * facts.overlap:.0f} % of the dip's depth near it: another mode may lie on top."
        return "found", None, text
    return "clear", None, "The fit leaves nothing near the dip that would speak of another mode on top."


def _decibels(facts: Facts) -> Verdict:
    if facts.db == "assumed":
        text = "All values are negative and span more than 6: taken as decibels and made linear. Say so with --y-unit."
        return "found", None, text
    stated = (
        "The signal was stated to be in decibels and made linear." if facts.db else "The signal was read as linear."
    )
    return "clear", None, stated


def _coarse(facts: Facts) -> Verdict:
    if facts.coarse and facts.matters(facts.coarse_bias):
        text = "Axis too coarse in this file: neighbouring samples share a value, rounded by whatever wrote it."
        return "found", facts.coarse_bias, text
    return "clear", facts.coarse_bias if facts.coarse else None, "The axis has digits enough."
