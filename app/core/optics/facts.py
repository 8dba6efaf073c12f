"""What was found out about one fitted scan, gathered for its checks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from app.core.optics import evidence, faults
from app.core.optics.checks import Facts
from app.core.optics.fit import Fitted, refit_without
from app.core.optics.results import FitOptions, FloatArray, Scan
from app.core.optics.rivals import coupled_share
from app.core.optics.widths import Widths

if TYPE_CHECKING:
    from app.core.optics.decide import Round
    from app.core.optics.ripple import Ripple

_POOR = 4.0
_DRAGGED = 1.44
_SEEN = 25.0
"""Cost in chi^2 of what would surely have been seen."""


def facts_of(
    scan: Scan,
    options: FitOptions,
    done: Round,
    widths: Widths,
    *,
    contradicted: str | None,
    points_per_width: float,
    ripple: Ripple | None = None,
    ripple_bias: float = 0.0,
) -> Facts:
    """Every figure the checks go by; `widths` in MHz, `done` the window as fitted."""
    fitted = done.choice.fitted
    narrowest = min(widths.linewidths, key=lambda e: e.value)
    width = narrowest.value
    first = int(np.searchsorted(scan.detuning_mhz, done.x[0]))
    y = scan.signal[first : first + len(done.x)]
    clipped = faults.clipped(y)
    rate = scan.axis.sweep_mhz_per_s
    speed = None if rate is None else faults.sweep_speed(rate, width)
    step = faults.coarse_step(done.x)
    half = 50.0 * (narrowest.high95 - narrowest.low95) / width
    laser = options.laser_mhz
    return Facts(
        rel_sigma=scan.axis.rel_sigma,
        near_critical=widths.near_critical,
        contradicted=contradicted,
        interval_percent=half if np.isfinite(half) else np.inf,
        odd=_odd(done),
        would_show=_would_show(done),
        dragged=dragged(fitted),
        poor=done.noise.reduced_chi2 > _POOR,
        sweep=speed,
        sweep_bias=0.0 if speed is None else faults.sweep_bias_percent(speed),
        overshoot=0.0 if fitted.split else _overshoot(done),
        clipped=clipped,
        clipping_bias=_clipping_bias(done, y) if clipped.low + clipped.high else None,
        points_per_width=points_per_width,
        sampling_bias=faults.sampling_bias_percent(1.0 / max(points_per_width, 1e-3), 1.0),
        widths_beside=_beside(done, widths),
        laser_mhz=laser,
        laser_bias=None if laser is None else 100.0 * laser / width,
        dark_given=options.dark_given or options.dark != 0.0,
        dark_effect=_dark_effect(widths),
        ripple=0.0 if ripple is None else ripple.amplitude,
        ripple_bias=ripple_bias,
        overlap=_overlap(done),
        db=scan.decibels,
        coarse=step > 0,
        coarse_bias=faults.sampling_bias_percent(step, width),
    )


def dragged(fitted: Fitted) -> bool:
    """Whether the dip heats itself to near bistability or beyond (at 1.54 half widths)."""
    return fitted.kind == "skew" and abs(float(fitted.p[3])) > _DRAGGED


def _odd(done: Round) -> tuple[tuple[str, float, float, float], ...]:
    over = done.choice.reading == "over"
    out = []
    for rival in done.odd:
        w, k = _width_and_intrinsic(rival.fitted, over)
        plain, plain_k = _width_and_intrinsic(done.plain, over)
        out.append((rival.kind, 100.0 * (plain / w - 1.0), 100.0 * (k / max(plain_k, 1e-12) - 1.0), rival.gain))
    return tuple(out)


def _width_and_intrinsic(fitted: Fitted, over: bool) -> tuple[float, float]:
    w = float(fitted.p[1])
    fano = float(fitted.p[3]) if fitted.kind == "fano" else 0.0
    return w, w * (1.0 - float(coupled_share(np.array(fitted.p[2]), fano, over)))


def _would_show(done: Round) -> frozenset[str]:
    if done.choice.fitted.split:
        return frozenset()
    return frozenset(kind for kind, cost in done.shows.items() if cost / done.noise.memory > _SEEN)


def _overshoot(done: Round) -> float:
    fitted, scale = done.choice.fitted, done.scale
    centre = scale.centre_mhz + scale.width_mhz * float(fitted.p[0])
    return faults.overshoot(done.x, done.residual, centre, scale.width_mhz * float(fitted.p[1]))


def _clipping_bias(done: Round, y: FloatArray) -> float | None:
    """How much wider or narrower the dip is without the samples at the ends of the range."""
    free = (y > y.min()) & (y < y.max())
    z = (done.x - done.scale.centre_mhz) / done.scale.width_mhz
    fitted = done.choice.fitted
    again = refit_without(z, y / done.scale.level, free, fitted)
    return None if again is None else 100.0 * (float(fitted.p[1]) / again - 1.0)


def _beside(done: Round, widths: Widths) -> float:
    """Baseline on the poorer side, in widths of the mode there."""
    below = (widths.detunings[0].value - float(done.x[0])) / widths.linewidths[0].value
    above = (float(done.x[-1]) - widths.detunings[-1].value) / widths.linewidths[-1].value
    return min(below, above)


def _dark_effect(widths: Widths) -> float:
    """Change of the under-coupled intrinsic Q, in per cent, by a dark level of 1 % of the light."""
    c = min(max(widths.contrast.value, 0.0), 0.99)
    before, after = (1.0 + np.sqrt(1.0 - v) for v in (c, min(c / 0.99, 1.0)))
    return float(100.0 * (before / after - 1.0))


def _overlap(done: Round) -> float:
    """What the fit leaves near the dip over the dip's depth, where that is beyond chance."""
    fitted = done.choice.fitted
    points = len(fitted.samples.z)
    excess = fitted.rss * done.noise.reduced_chi2 / done.noise.variance - points
    if excess < 5.0 * float(np.sqrt(2.0 * points)):
        return 0.0
    return evidence.misfit(fitted)
