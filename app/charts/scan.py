"""A scan with its fit and residuals as geometry for a server-drawn plot that takes the page's colours.

Positions are in a box of 1000 by the panel's height; ticks are in per cent across, so that a plot fits any width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from app.core.figures import figure
from app.core.optics.results import FloatArray
from app.core.optics.trace import Thinned, Trace

WIDTH = 1000.0
TALL, SHORT, STRIP = 340, 104, 64
SMALL_POINTS = 120
"""Enough for a picture of a thumb's width."""
SMALL_HEIGHT = 300
_NARROWEST_SHARE = 0.9
"""A view of less than this share of the scan gets a strip that shows all of it."""


@dataclass(frozen=True)
class Tick:
    """A mark on an axis: `at` in per cent across or px down, and its figure."""

    at: float
    text: str


@dataclass(frozen=True)
class Panel:
    """One plot: `samples`, `curve` and `baseline` are paths, `marks` modes' places in per cent."""

    height: int
    name: str
    ticks: tuple[Tick, ...]
    samples: str
    curve: str = ""
    baseline: str = ""
    marks: tuple[Tick, ...] = ()
    band: tuple[float, float] | None = None
    """Top and height of the band within two of the noise."""
    outside: tuple[tuple[float, float], ...] = ()
    """(from, width) in per cent of what the view leaves out."""

    @property
    def middle(self) -> float:
        """Half way down."""
        return self.height / 2

    @property
    def foot(self) -> tuple[int, int, int, int]:
        """Just above the lower edge: top and end of a mark, the line between marks, the line of their names."""
        return self.height - 29, self.height - 11, self.height - 20, self.height - 15


@dataclass(frozen=True)
class ScanPlot:
    """All panels over one axis in MHz."""

    scan: Panel
    residuals: Panel | None
    whole: Panel | None
    x_ticks: tuple[Tick, ...]
    x_name: str
    whole_ticks: tuple[Tick, ...]
    splitting: str
    says: str
    residuals_say: str


def scan_plot(trace: Trace, *, zero_mhz: float = 0.0, y_name: str = "", splitting_mhz: float | None = None) -> ScanPlot:
    """Panels for `trace`, its detunings counted from `zero_mhz`."""
    low, high = trace.view_mhz
    fit = trace.fit
    y_low, y_high = _limits(trace)
    across = _Across(low, high)
    marks = _mode_marks(across, fit.centres_mhz) if fit else ()
    scan = Panel(
        TALL,
        y_name or "Signal",
        _y_ticks(y_low, y_high, TALL),
        _samples(trace.near, across, y_low, y_high, TALL),
        "" if fit is None else _line(fit.at, fit.curve, across, y_low, y_high, TALL),
        "" if fit is None else _line(fit.at, fit.baseline, across, y_low, y_high, TALL),
        marks,
    )
    residuals = None if fit is None else _residual_panel(fit.residuals, across)
    shows_whole = (high - low) / (trace.span_mhz[1] - trace.span_mhz[0]) < _NARROWEST_SHARE
    kind = "no fit" if fit is None else ("two dips" if len(fit.centres_mhz) == 2 else "one dip")
    return ScanPlot(
        scan=scan,
        residuals=residuals,
        whole=_whole_panel(trace) if shows_whole else None,
        x_ticks=_x_ticks(across, zero_mhz),
        x_name="Detuning / MHz",
        whole_ticks=_x_ticks(_Across(*trace.span_mhz), zero_mhz) if shows_whole else (),
        splitting="" if splitting_mhz is None or len(marks) < 2 else f"{figure(splitting_mhz, 2)}\u00a0MHz",
        says=f"Signal against detuning from {figure(low - zero_mhz, 2)} to {figure(high - zero_mhz, 2)} MHz: {kind}",
        residuals_say=_residual_words(fit.residuals) if fit else "",
    )


@dataclass(frozen=True)
class SmallPlot:
    """A scan and its fit in little: two paths in a box of 1000 by `height`."""

    samples: str
    curve: str
    height: int = SMALL_HEIGHT


def small_plot(trace: Trace) -> SmallPlot:
    """`trace` in few strokes, without axes: enough to see a good dip from a bad one."""
    low, high = _limits(trace)
    across = _Across(*trace.view_mhz)
    near = trace.near
    group = max(1, -(-len(near.at) // SMALL_POINTS))
    first = np.arange(0, len(near.at), group)
    few = Thinned(near.at[first], np.minimum.reduceat(near.low, first), np.maximum.reduceat(near.high, first))
    fit = trace.fit
    curve = "" if fit is None else _line(fit.at, fit.curve, across, low, high, SMALL_HEIGHT)
    return SmallPlot(_samples(few, across, low, high, SMALL_HEIGHT), curve)


@dataclass(frozen=True)
class _Across:
    low: float
    high: float

    def percent(self, x: float) -> float:
        return round(100.0 * (x - self.low) / (self.high - self.low), 2)

    def place(self, x: FloatArray) -> FloatArray:
        return np.asarray(WIDTH * (x - self.low) / (self.high - self.low))


def _limits(trace: Trace) -> tuple[float, float]:
    low, high = float(trace.near.low.min()), float(trace.near.high.max())
    if trace.fit is not None:
        low, high = min(low, float(trace.fit.curve.min())), max(high, float(trace.fit.baseline.max()))
    room = 0.05 * (high - low) or 1.0
    return low - room, high + room


def _down(y: FloatArray, low: float, high: float, height: int) -> FloatArray:
    return np.asarray(height * (high - y) / (high - low))


def _samples(thinned: Thinned, across: _Across, low: float, high: float, height: int) -> str:
    """Single samples as points, runs of samples as strokes from their lowest to their highest."""
    x = across.place(thinned.at)
    bottom, top = _down(thinned.low, low, high, height), _down(thinned.high, low, high, height)
    parts = []
    for at, deep, shallow in zip(x.tolist(), bottom.tolist(), top.tolist(), strict=True):
        end = "h0" if deep == shallow else f"V{deep:.1f}"
        parts.append(f"M{at:.1f} {shallow:.1f}{end}")
    return "".join(parts)


def _line(x: FloatArray, y: FloatArray, across: _Across, low: float, high: float, height: int) -> str:
    places = zip(across.place(x).tolist(), _down(y, low, high, height).tolist(), strict=True)
    return "M" + " ".join(f"{at:.1f} {down:.1f}" for at, down in places)


def _residual_panel(residuals: Thinned, across: _Across) -> Panel:
    largest = max(3.5, min(12.0, 1.05 * float(np.abs([residuals.low, residuals.high]).max())))
    step = 3.0 if largest < 8 else 6.0
    ticks = tuple(
        Tick(round(SHORT * (largest - value) / (2 * largest), 1), figure(value)) for value in (-step, 0.0, step)
    )
    within = SHORT * 2.0 / (2 * largest)
    clipped = Thinned(residuals.at, residuals.low.clip(-largest, largest), residuals.high.clip(-largest, largest))
    samples = _samples(clipped, across, -largest, largest, SHORT)
    return Panel(SHORT, "Residual / σ", ticks, samples, band=(round(SHORT / 2 - within, 1), round(2 * within, 1)))


def _residual_words(residuals: Thinned) -> str:
    beyond = int(((residuals.low < -4) | (residuals.high > 4)).sum())
    return f"Residuals in units of the noise: {beyond} of {len(residuals.at)} lie beyond four"


def _whole_panel(trace: Trace) -> Panel:
    low, high = float(trace.whole.low.min()), float(trace.whole.high.max())
    room = 0.06 * (high - low) or 1.0
    across = _Across(*trace.span_mhz)
    left, right = across.percent(trace.view_mhz[0]), across.percent(trace.view_mhz[1])
    return Panel(
        STRIP,
        "All",
        (),
        _samples(trace.whole, across, low - room, high + room, STRIP),
        outside=((0.0, max(left, 0.0)), (right, max(round(100.0 - right, 2), 0.0))),
    )


def _mode_marks(across: _Across, centres: tuple[float, ...]) -> tuple[Tick, ...]:
    names = ("",) if len(centres) == 1 else ("lower", "upper")
    return tuple(Tick(across.percent(centre), name) for centre, name in zip(centres, names, strict=True))


def _y_ticks(low: float, high: float, height: int) -> tuple[Tick, ...]:
    values, places = nice_steps(low, high, 5)
    return tuple(Tick(round(height * (high - value) / (high - low), 1), figure(value, places)) for value in values)


def _x_ticks(across: _Across, zero_mhz: float) -> tuple[Tick, ...]:
    values, places = nice_steps(across.low - zero_mhz, across.high - zero_mhz, 6)
    ticks = [Tick(across.percent(value + zero_mhz), figure(value, places)) for value in values]
    # A figure at the very edge would hang over the frame.
    return tuple(tick for tick in ticks if 3.0 <= tick.at <= 97.0)


def nice_steps(low: float, high: float, count: int) -> tuple[list[float], int]:
    """About `count` multiples of 1, 2 or 5 times a power of ten within low..high, and the places to print them."""
    rough = (high - low) / count
    if not rough > 0 or not math.isfinite(rough):
        return [], 0
    power = math.floor(math.log10(rough))
    step = next(m * 10.0**power for m in (1, 2, 5, 10) if m * 10.0**power >= rough * 0.999)
    first, last = math.ceil(low / step), math.floor(high / step)
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    return [round(n * step, places + 2) for n in range(first, last + 1)], places
