"""From a fit in scaled units to the analysis in MHz and volts."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from app.core.optics import evidence, quality
from app.core.optics.checks import checks
from app.core.optics.evidence import Choice, Noise
from app.core.optics.facts import dragged, facts_of
from app.core.optics.fit import Fitted, covariance
from app.core.optics.lineshapes import BASELINE_NAMES, SHAPE_VERSION, SINGLE_NAMES, SPLIT_NAMES
from app.core.optics.results import (
    Analysis,
    Device,
    Evidence,
    FitOptions,
    FloatArray,
    Quality,
    Reading,
    Regime,
    RegimeBasis,
    Scan,
    StoredShape,
)
from app.core.optics.widths import Widths, single_widths, split_widths

if TYPE_CHECKING:
    from app.core.optics.decide import Round
    from app.core.optics.ripple import Ripple


@dataclass(frozen=True)
class Scale:
    """Scaled units of one window: detuning = centre + z x width, signal = level x y."""

    centre_mhz: float
    width_mhz: float
    level: float
    low_mhz: float
    high_mhz: float


def assemble(
    scan: Scan, options: FitOptions, done: Round, ripple: Ripple | None = None, ripple_bias: float = 0.0
) -> Analysis:
    """Everything reported of the shape chosen for the window `done`, whose light rippled by `ripple`."""
    scale, choice, noise, detuning_mhz = done.scale, done.choice, done.noise, done.x
    fitted, split = choice.fitted, choice.fitted.split
    laser = (options.laser_mhz or 0.0) / scale.width_mhz
    scaled = split_widths(fitted, noise) if split else single_widths(fitted, noise, choice.reading, laser)
    widths = _in_mhz(scaled, scale)
    rel = scan.axis.rel_sigma
    centre = scale.centre_mhz + scale.width_mhz * float(fitted.p[0])
    reference_mhz = scan.axis.reference_thz * 1e6
    shift = -centre if scan.axis.absolute else 0.0
    at_mhz = reference_mhz + centre if scan.axis.absolute else reference_mhz
    contradicted = options.regime if choice.line_shape_decides and options.regime != choice.reading else None
    narrowest = min(e.value for e in widths.linewidths)
    points_per_width = _points_per_width(detuning_mhz, widths, narrowest)
    return Analysis(
        points=len(detuning_mhz),
        model="split" if split else "single",
        wavelength_nm=quality.frequency_mhz(1.0) / at_mhz,
        axis=scan.axis,
        modes=quality.modes_of(widths, _others(choice, scale, reference_mhz), reference_mhz, shift, rel),
        device=Device(
            quality.device_q(widths.mean_intrinsic, reference_mhz + centre, rel), _grade(choice, widths, rel)
        ),
        regime=Regime(choice.reading, _basis(choice, options)),
        coupling_mhz=widths.coupling.measured(rel),
        splitting_mhz=None if widths.splitting is None else widths.splitting.measured(rel),
        contrast=widths.contrast.measured(),
        evidence=Evidence(choice.delta_bic, evidence.in_words(choice.delta_bic)),
        checks=checks(
            facts_of(
                scan,
                options,
                done,
                widths,
                contradicted=contradicted,
                points_per_width=points_per_width,
                ripple=ripple,
                ripple_bias=ripple_bias,
            )
        ),
        quality=Quality(
            noise=float(np.sqrt(noise.variance)) / float(_baseline_at(fitted)),
            reduced_chi2=noise.reduced_chi2,
            points_per_linewidth=points_per_width,
        ),
        stored=_stored(scan, options, scale, fitted, noise, ripple),
        window_mhz=(float(detuning_mhz[0]), float(detuning_mhz[-1])),
        effective_points=noise.effective,
        notes=scan.notes,
    )


def _grade(choice: Choice, widths: Widths, rel_sigma: float | None) -> Literal["A", "B", "C"]:
    """A dip that heat drags is quoted as a lower bound whatever else speaks for it."""
    if dragged(choice.fitted):
        return "C"
    return quality.grade(
        contrast=widths.contrast.value,
        reading=choice.reading,
        resolved_split=choice.fitted.split and evidence.resolved(choice.fitted),
        rel_sigma=rel_sigma,
    )


def _basis(choice: Choice, options: FitOptions) -> RegimeBasis:
    if choice.line_shape_decides:
        return "line-shape"
    return "assumed" if options.regime is None else "option"


def _in_mhz(widths: Widths, scale: Scale) -> Widths:
    by = scale.width_mhz
    return Widths(
        detunings=tuple(e.scaled(by).shifted(scale.centre_mhz) for e in widths.detunings),
        linewidths=tuple(e.scaled(by) for e in widths.linewidths),
        intrinsic=tuple(e.scaled(by) for e in widths.intrinsic),
        mean_intrinsic=widths.mean_intrinsic.scaled(by),
        coupling=widths.coupling.scaled(by),
        splitting=None if widths.splitting is None else widths.splitting.scaled(by),
        contrast=widths.contrast,
        near_critical=widths.near_critical,
    )


def _others(choice: Choice, scale: Scale, reference_mhz: float) -> tuple[float, ...] | None:
    """Intrinsic Q of each mode in the other coupling regime, where the data allow one."""
    fitted = choice.fitted
    nu = reference_mhz + scale.centre_mhz
    if not fitted.split:
        w, c = float(fitted.p[1]), float(np.clip(fitted.p[2], 0.0, 1.0))
        opposite: Reading = "over" if choice.reading == "under" else "under"
        if opposite == "over" and c < 1e-9:
            return None
        return (quality.intrinsic_of_single(nu / (w * scale.width_mhz), 1.0 - c, opposite),)
    if choice.other is None:
        return None
    _, w, eta = (float(v) for v in choice.other.p[:3])
    g_i = -evidence.half_splitting(choice.other).imag
    intrinsic = [(w * (1.0 - eta) - 2.0 * side * g_i) * scale.width_mhz for side in (-1, 1)]
    return tuple(nu / v if v > 0 else np.inf for v in intrinsic)


def _baseline_at(fitted: Fitted) -> float:
    s = fitted.samples
    u = (fitted.p[0] - 0.5 * (s.low + s.high)) * 2.0 / (s.high - s.low)
    return max(abs(float(fitted.b @ np.array([1.0, u, u * u]))), 1e-12)


def _points_per_width(detuning_mhz: FloatArray, widths: Widths, narrowest: float) -> float:
    """Samples per linewidth, from the spacing over a few widths around the modes."""
    low = min(e.value for e in widths.detunings) - 2.0 * narrowest
    high = max(e.value for e in widths.detunings) + 2.0 * narrowest
    low, high = max(low, float(detuning_mhz[0])), min(high, float(detuning_mhz[-1]))
    inside = np.searchsorted(detuning_mhz, high, side="right") - np.searchsorted(detuning_mhz, low)
    return float(inside) * narrowest / max(high - low, 1e-300)


def _stored(
    scan: Scan, options: FitOptions, scale: Scale, fitted: Fitted, noise: Noise, ripple: Ripple | None
) -> StoredShape:
    by, level = scale.width_mhz, scale.level
    single = not fitted.split
    factor = np.array([by, by, 1.0] if single else [by, by, 1.0, by * by, by * by])
    offset = np.zeros(len(factor))
    offset[0] = scale.centre_mhz
    full = np.concatenate([factor, [level] * 3])
    count = len(factor)
    cov = covariance(fitted, noise.independent_variance)
    kept = [*range(count), *range(len(cov) - 3, len(cov))]
    cov = cov[np.ix_(kept, kept)] * np.outer(full, full)
    rippled = {} if ripple is None else {f"ripple_{key}": value for key, value in asdict(ripple).items()}
    odd = {fitted.kind: float(fitted.p[3])} if single and fitted.kind != "single" else {}
    return StoredShape(
        shape="single" if single else "split",
        version=SHAPE_VERSION,
        names=(*(SINGLE_NAMES if single else SPLIT_NAMES), *BASELINE_NAMES),
        parameters=tuple(float(v) for v in (*(fitted.p[:count] * factor + offset), *(fitted.b * level))),
        covariance=tuple(tuple(float(v) for v in row) for row in cov),
        start=tuple(float(v) for v in fitted.start[:count] * factor + offset),
        constants={
            "middle_mhz": 0.5 * (scale.low_mhz + scale.high_mhz),
            "half_mhz": 0.5 * (scale.high_mhz - scale.low_mhz),
            "dark": options.dark,
            **odd,
            **rippled,
        },
        reference_thz=scan.axis.reference_thz,
    )
