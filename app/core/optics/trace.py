"""What a person looks at: a scan thinned so that a narrow dip survives, its fitted curve and its residuals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.core.optics.lineshapes import baseline, curve
from app.core.optics.results import FloatArray, Scan, StoredShape

BINS = 1200
"""More bins than a plot has pixels show nothing more."""
VIEW_WIDTHS = 10.0
"""Linewidths shown to each side of a fitted resonance; the rest of a long scan is drawn as a strip."""


@dataclass(frozen=True, eq=False)
class Thinned:
    """Position (n,) of each bin and the lowest and highest sample in it (n,); equal where a bin has one sample."""

    at: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, eq=False)
class FitTrace:
    """A fit to draw: curve and baseline (m,) over `at` (m,), residuals in units of the noise, modes' centres."""

    at: FloatArray
    curve: FloatArray
    baseline: FloatArray
    residuals: Thinned
    centres_mhz: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Trace:
    """A scan to draw; positions in MHz. `whole` is all of it, `near` what lies in `view_mhz`, around the dip.

    `window_mhz` is what was fitted.
    """

    whole: Thinned
    near: Thinned
    view_mhz: tuple[float, float]
    window_mhz: tuple[float, float]
    span_mhz: tuple[float, float]
    points: int
    fit: FitTrace | None = None


def thin(x: FloatArray, y: FloatArray, bins: int = BINS) -> Thinned:
    """Lowest and highest y (b,) in at most `bins` runs of equally many samples, x (n,) rising, y (n,).

    A dip of a single sample is the lowest of its run and so stays; runs hold samples and not stretches of x, so
    that unevenly stepped scans keep their detail.
    """
    if len(x) <= 2 * bins:
        return Thinned(x, y, y)
    first = np.unique(np.linspace(0, len(x), bins + 1).astype(np.intp)[:-1])
    count = np.diff(np.append(first, len(x)))
    return Thinned(np.add.reduceat(x, first) / count, np.minimum.reduceat(y, first), np.maximum.reduceat(y, first))


def mode_centres(stored: StoredShape) -> tuple[float, ...]:
    """Detuning in MHz of each standing wave (one for a single dip), by rising optical frequency.

    z0 for a single dip, z0 -/+ Re g for a split one, g the root of the stored Re g^2 + i Im g^2.
    """
    centre = stored.parameters[0]
    if stored.shape == "single":
        return (centre,)
    apart = abs((complex(stored.parameters[3], stored.parameters[4]) ** 0.5).real)
    return (centre - apart, centre + apart)


def trace_of(scan: Scan, stored: StoredShape | None, window_mhz: tuple[float, float] | None, noise: float) -> Trace:
    """`scan` as drawn, with the stored fit over its window; `noise` is the rms per sample over the baseline."""
    x, y = scan.detuning_mhz, scan.signal
    span = (float(x[0]), float(x[-1]))
    window = window_mhz or span
    low, high = window if stored is None else _view(stored, window)
    near = (x >= low) & (x <= high)
    inside_x, inside_y = x[near], y[near]
    return Trace(
        whole=thin(x, y),
        near=thin(inside_x, inside_y),
        view_mhz=(low, high),
        window_mhz=window,
        span_mhz=span,
        points=len(x),
        fit=None if stored is None else _fit_trace(inside_x, inside_y, stored, noise),
    )


def _view(stored: StoredShape, window: tuple[float, float]) -> tuple[float, float]:
    """Some widths around the modes, within the window fitted."""
    centres, reach = mode_centres(stored), VIEW_WIDTHS * abs(stored.parameters[1])
    low, high = max(window[0], centres[0] - reach), min(window[1], centres[-1] + reach)
    return (low, high) if high > low else window


def _fit_trace(x: FloatArray, y: FloatArray, stored: StoredShape, noise: float) -> FitTrace:
    centres = mode_centres(stored)
    width = abs(stored.parameters[1])
    fine = [centre + width * np.linspace(-4.0, 4.0, 161) for centre in centres]
    at = np.unique(np.concatenate([np.linspace(x[0], x[-1], 301), *fine]))
    at = at[(at >= x[0]) & (at <= x[-1])]
    light = baseline(stored, x)
    scatter = np.maximum(np.abs(noise * light), 1e-300)
    return FitTrace(
        at=at,
        curve=curve(stored, at),
        baseline=baseline(stored, at) + stored.constants["dark"],
        residuals=thin(x, (y - curve(stored, x)) / scatter),
        centres_mhz=centres,
    )
