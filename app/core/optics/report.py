"""An analysis as the JSON object of the command line and the API, and in words."""

from __future__ import annotations

import math
from typing import Any

from app.core.optics.results import Analysis, Measured


def as_json(file: str, analysis: Analysis, seconds: float, resonance: int = 0) -> dict[str, Any]:
    """The object `marver fit --json` prints; unbounded ends are None, never NaN or Infinity."""
    return {
        "file": file,
        "resonance": resonance,
        "points": analysis.points,
        "model": analysis.model,
        "wavelength_nm": analysis.wavelength_nm,
        "axis": {"basis": analysis.axis.basis, "rel_sigma": analysis.axis.rel_sigma},
        "modes": [
            {
                "detuning_mhz": _measured(mode.detuning_mhz),
                "linewidth_mhz": _measured(mode.linewidth_mhz),
                "q_loaded": _measured(mode.q_loaded),
                "q_intrinsic": _measured(mode.q_intrinsic),
                "q_intrinsic_other": _number(mode.q_intrinsic_other),
                "lifetime_ns": _measured(mode.lifetime_ns),
            }
            for mode in analysis.modes
        ],
        "device": {"q_intrinsic": _measured(analysis.device.q_intrinsic), "grade": analysis.device.grade},
        "regime": {"reading": analysis.regime.reading, "basis": analysis.regime.basis},
        "coupling_mhz": _measured(analysis.coupling_mhz),
        "splitting_mhz": None if analysis.splitting_mhz is None else _measured(analysis.splitting_mhz),
        "contrast": _measured(analysis.contrast),
        "evidence": {"delta_bic": _number(analysis.evidence.delta_bic), "text": analysis.evidence.text},
        "checks": [
            {"code": c.code, "state": c.state, "bias_percent": _number(c.bias_percent), "text": c.text}
            for c in analysis.checks
        ],
        "quality": {
            "noise": _number(analysis.quality.noise),
            "reduced_chi2": _number(analysis.quality.reduced_chi2),
            "points_per_linewidth": _number(analysis.quality.points_per_linewidth),
        },
        "seconds": _number(seconds),
    }


def failed_json(file: str, code: str, text: str) -> dict[str, Any]:
    """What stands in the place of a file that could not be fitted."""
    return {"file": file, "model": None, "error": {"code": code, "text": text}}


def in_words(file: str, analysis: Analysis) -> str:
    """A few lines for a person at a terminal."""
    split = analysis.splitting_mhz
    lines = [
        f"{file}: {analysis.model} resonance at {analysis.wavelength_nm:.6f} nm, grade {analysis.device.grade}",
        f"  intrinsic Q  {_pm(analysis.device.q_intrinsic)}"
        + (" or more" if analysis.device.grade == "C" else "")
        + f"   ({analysis.regime.reading}-coupled, {analysis.regime.basis})",
    ]
    for i, mode in enumerate(analysis.modes):
        name = "  mode" if len(analysis.modes) == 1 else f"  mode {i + 1}"
        lines.append(
            f"{name}  loaded Q {_pm(mode.q_loaded)}, linewidth {_pm(mode.linewidth_mhz)} MHz, "
            f"lifetime {_pm(mode.lifetime_ns)} ns, intrinsic Q {_pm(mode.q_intrinsic)}"
        )
        if mode.q_intrinsic_other is not None:
            other = "over" if analysis.regime.reading == "under" else "under"
            lines.append(f"    if {other}-coupled, intrinsic Q {mode.q_intrinsic_other:.3g}")
    if split is not None:
        lines.append(f"  splitting {_pm(split)} MHz")
    lines.append(f"  coupling {_pm(analysis.coupling_mhz)} MHz, contrast {_pm(analysis.contrast)}")
    lines.append(f"  {analysis.evidence.text}")
    lines += [f"  {note}" for note in analysis.notes]
    lines += [f"  found: {c.text}" for c in analysis.checks if c.state == "found"]
    unchecked = [c.code for c in analysis.checks if c.state == "not_checkable"]
    lines.append(f"  not checked: {', '.join(unchecked)}")
    return "\n".join(lines)


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _measured(m: Measured) -> dict[str, float | None]:
    return {"value": _number(m.value), "sigma": _number(m.sigma), "low": _number(m.low), "high": _number(m.high)}


def _pm(m: Measured) -> str:
    low = "?" if m.low is None else f"{m.low:.4g}"
    high = "?" if m.high is None else f"{m.high:.4g}"
    return f"{m.value:.4g} ({low} to {high})"
