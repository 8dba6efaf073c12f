"""A fit's result, stored or fresh, as what a page shows: figures with intervals, checks with what to do."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from app.core.figures import exponent_text, figure, in_power, interval_text, power_of, q_text
from app.core.optics.advice import advice_for, words_of
from app.core.silica import silica_limit_q

_CHECK_ORDER = {"found": 0, "not_checkable": 1, "clear": 2}
CHECK_WORDS = {"found": "Found", "not_checkable": "Cannot be checked", "clear": "Clear"}
REGIMES = {"under": "under-coupled", "over": "over-coupled"}
_BASES = {
    "assumed": "assumed, since one unsplit dip looks the same either way",
    "option": "as set by hand",
    "line-shape": "told by the line shape",
    "series": "told by a coupling series",
}
AXIS_WORDS = {
    "wavelength": "Wavelength",
    "frequency": "Frequency",
    "detuning": "Detuning",
    "tuning-rate": "Tuning rate",
    "fringes": "Interferometer fringes",
    "sidebands": "Sidebands",
}


@dataclass(frozen=True)
class Cell:
    """A figure and its 95 % interval as printed; both empty where a column has none."""

    value: str = ""
    interval: str = ""


@dataclass(frozen=True)
class FigureRow:
    """One quantity: `cells` by mode, or one cell for what both modes share."""

    name: str
    unit: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class CheckView:
    """One check: `state` is found, clear or not_checkable."""

    code: str
    name: str
    state: str
    state_words: str
    text: str
    settle: str
    bias_percent: float | None


@dataclass(frozen=True)
class ResultView:
    """What a fit says, in figures and sentences."""

    model: str
    wavelength_nm: float
    q: float
    q_low: float | None
    q_high: float | None
    at_least: bool
    grade: str
    grade_reason: str
    shape_says: str
    evidence: str
    regime: str
    regime_basis: str
    other_reading: str
    q_other: float | None
    noise_says: str
    axis_says: str
    figures: tuple[FigureRow, ...]
    mode_names: tuple[str, ...]
    checks: tuple[CheckView, ...]
    limit_says: str = ""
    """What the glass allows at this wavelength, and whether Q is beyond it."""

    @property
    def interval(self) -> str:
        """The 95 % interval in words, in the exponent of the value."""
        power = power_of(float(f"{self.q:.2e}"))
        low, high = in_power(self.q_low, power), in_power(self.q_high, power)
        return f"{low} to {high} × {exponent_text(power)}"

    @property
    def doubts(self) -> tuple[CheckView, ...]:
        """Checks that found something."""
        return tuple(check for check in self.checks if check.state == "found")

    @property
    def open_checks(self) -> tuple[CheckView, ...]:
        """Checks that could not be made, which clears nothing."""
        return tuple(check for check in self.checks if check.state == "not_checkable")

    @property
    def cleared(self) -> tuple[CheckView, ...]:
        """Checks that found nothing."""
        return tuple(check for check in self.checks if check.state == "clear")


def view_of(result: Mapping[str, Any]) -> ResultView:
    """The page's view of a result as `marver fit --json` prints it."""
    modes = result["modes"]
    q, regime = result["device"]["q_intrinsic"], result["regime"]
    other = next((mode["q_intrinsic_other"] for mode in modes if mode["q_intrinsic_other"] is not None), None)
    reading = regime["reading"]
    return ResultView(
        model=result["model"],
        wavelength_nm=result["wavelength_nm"],
        q=q["value"],
        q_low=q["low"],
        q_high=q["high"],
        at_least=result["device"]["grade"] == "C" or q["high"] is None,
        grade=result["device"]["grade"],
        grade_reason=_grade_reason(result),
        shape_says=_shape_says(result),
        evidence=result["evidence"]["text"],
        regime=REGIMES[reading].capitalize(),
        regime_basis=_BASES[regime["basis"]],
        other_reading=REGIMES["over" if reading == "under" else "under"],
        q_other=other,
        noise_says=_noise_says(result["quality"]),
        axis_says=_axis_says(result["axis"]),
        figures=_figures(result),
        mode_names=("Lower mode", "Upper mode") if len(modes) == 2 else ("",),
        checks=_checks(result["checks"]),
        limit_says=_limit_says(result["wavelength_nm"], q["low"]),
    )


def _limit_says(wavelength_nm: float, q_low: float | None) -> str:
    """The glass at this wavelength; the only limit that is no model."""
    try:
        limit = silica_limit_q(wavelength_nm)
    except ValueError:
        return ""
    beyond = " This Q lies above it: doubt the frequency axis." if q_low is not None and q_low > limit else ""
    return f"Silica at this wavelength allows up to {q_text(limit, decimals=0)}.{beyond}"


def _checks(checks: list[dict[str, Any]]) -> tuple[CheckView, ...]:
    views = []
    for check in checks:
        advice = advice_for(check["code"])
        views.append(
            CheckView(
                check["code"],
                advice.name,
                check["state"],
                CHECK_WORDS[check["state"]],
                words_of(check["text"]),
                advice.settle,
                check["bias_percent"],
            )
        )
    return tuple(sorted(views, key=lambda view: _CHECK_ORDER[view.state]))


def _grade_reason(result: Mapping[str, Any]) -> str:
    """Why this grade, by the rules of grading: coupling, shape, and how well the axis is known."""
    grade, floor = result["device"]["grade"], 1.0 - result["contrast"]["value"]
    sigma = result["axis"]["rel_sigma"]
    axis = "axis of unknown uncertainty" if sigma is None else f"axis known to {100 * sigma:.2g} %"
    if grade == "A":
        return f"weakly coupled: the dip's floor stands at {100 * floor:.0f} % of the light; {axis}"
    if grade == "B" and result["model"] == "split":
        return f"a resolved split pair, which tells its own coupling; {axis}"
    if grade == "B":
        return f"the dip's floor stands at {100 * floor:.0f} % of the light, the coupling as read below; {axis}"
    return f"quoted as a lower bound: the dip's floor stands at {100 * floor:.0f} % of the light; {axis}"


def _shape_says(result: Mapping[str, Any]) -> str:
    delta = result["evidence"]["delta_bic"]
    if result["model"] == "single":
        return "One dip."
    splitting = result["splitting_mhz"]["value"]
    mean = sum(mode["linewidth_mhz"]["value"] for mode in result["modes"]) / len(result["modes"])
    forced = "" if delta is None or delta > 0 else " The data alone would not ask for it."
    return f"Two dips, {figure(splitting / mean, 1)} linewidths apart.{forced}"


def _noise_says(quality: Mapping[str, Any]) -> str:
    noise, chi2, points = quality["noise"], quality["reduced_chi2"], quality["points_per_linewidth"]
    parts = []
    if noise is not None:
        parts.append(f"The residuals scatter by {figure(100 * noise, 2)} % of the baseline")
    if chi2 is not None:
        parts.append(f"{figure(chi2, 2)} times the variance from sample to sample (1 is nothing left over)")
    samples = "" if points is None else f" {figure(points, 0)} samples lie on each linewidth."
    return f"{', '.join(parts)}.{samples}" if parts else samples.strip()


def _axis_says(axis: Mapping[str, Any]) -> str:
    sigma = axis["rel_sigma"]
    known = "uncertainty not stated" if sigma is None else f"known to {100 * sigma:.2g} %"
    return f"{AXIS_WORDS[axis['basis']]}, {known}"


def _figures(result: Mapping[str, Any]) -> tuple[FigureRow, ...]:
    modes = result["modes"]
    rows = [
        _row("Detuning", "MHz", [mode["detuning_mhz"] for mode in modes]),
        _row("Linewidth, full at half depth", "MHz", [mode["linewidth_mhz"] for mode in modes]),
        _q_row("Loaded Q", [mode["q_loaded"] for mode in modes]),
        _q_row("Intrinsic Q", [mode["q_intrinsic"] for mode in modes]),
        _row("Photon lifetime, loaded", "ns", [mode["lifetime_ns"] for mode in modes]),
    ]
    if result["splitting_mhz"] is not None:
        rows.append(_row("Splitting", "MHz", [result["splitting_mhz"]]))
    percent = {key: None if value is None else 100 * value for key, value in result["contrast"].items()}
    rows += [_row("Coupling", "MHz", [result["coupling_mhz"]]), _row("Contrast", "%", [percent])]
    return tuple(rows)


def _row(name: str, unit: str, measured: list[Mapping[str, Any]]) -> FigureRow:
    decimals = max(_decimals(each["value"], each["sigma"]) for each in measured)
    cells = [
        Cell(figure(each["value"], decimals), interval_text(each["low"], each["high"], 0, decimals))
        for each in measured
    ]
    return FigureRow(name, unit, tuple(cells))


def _q_row(name: str, measured: list[Mapping[str, Any]]) -> FigureRow:
    power = max(power_of(each["value"] or 0.0) for each in measured)
    cells = [Cell(in_power(each["value"], power), interval_text(each["low"], each["high"], power)) for each in measured]
    return FigureRow(name, exponent_text(power), tuple(cells))


def _decimals(value: float | None, sigma: float | None) -> int:
    """Places that show two figures of the uncertainty, or four figures of a value that has none."""
    if sigma is not None and sigma > 0 and math.isfinite(sigma):
        return min(6, max(0, 1 - math.floor(math.log10(sigma))))
    return min(6, max(0, 3 - power_of(value or 1.0)))
