"""Rows of dots on one shared logarithmic axis: where each stands, in percent across and pixels down."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

HEIGHT = 60
INTERVAL_Y = 13
_TOP, _BOTTOM = 26, 54
_RADIUS_PERCENT = 1.3  # half of what two dots keep between them across
_MARGIN = 0.05


@dataclass(frozen=True)
class Tick:
    """One gridline of the axis with its figure in units of the axis's power of ten."""

    at: float
    text: str


@dataclass(frozen=True)
class LogAxis:
    """From `low` to `high` (log₁₀); figures are printed over 10^`power`."""

    low: float
    high: float
    power: int
    ticks: tuple[Tick, ...]

    def at(self, value: float) -> float:
        """Percent across, within the axis."""
        share = (math.log10(value) - self.low) / (self.high - self.low)
        return round(100 * min(max(share, 0.0), 1.0), 2)


@dataclass(frozen=True)
class Dot:
    """One device."""

    x: float
    y: float


def log_axis(values: Iterable[float], power: int | None = None) -> LogAxis | None:
    """One axis that holds all `values` (positive); None without any. Figures stand over 10^`power`.

    Without a power, over that which leaves most figures near one.
    """
    logs = sorted(math.log10(value) for value in values if value > 0)
    if not logs:
        return None
    span = max(logs[-1] - logs[0], 0.3)
    middle = (logs[0] + logs[-1]) / 2
    low, high = middle - span * (0.5 + _MARGIN), middle + span * (0.5 + _MARGIN)
    power = round(middle) if power is None else power
    axis = LogAxis(low, high, power, ())
    wanted = [v for v in _round_values(low, high) if 3 < axis.at(v) < 97]
    return LogAxis(low, high, power, tuple(Tick(axis.at(v), _figure(v / 10.0**power)) for v in wanted))


def _round_values(low: float, high: float) -> list[float]:
    """1 2 5, or 1 3, or decades alone, so that figures do not meet; closer steps where the span is short."""
    span = high - low
    steps: Sequence[float]
    if span > 3.2:
        steps = (1,)
    elif span > 1.6:
        steps = (1, 3)
    elif span > 0.7:
        steps = (1, 2, 5)
    else:
        steps = (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8)
    return [step * 10.0**power for power in range(math.floor(low), math.ceil(high) + 1) for step in steps]


def _figure(value: float) -> str:
    return f"{value:.6g}"


def dots(values: Sequence[float], axis: LogAxis) -> tuple[Dot, ...]:
    """The values as dots that keep clear of one another as far as the strip's height allows, left to right."""
    lanes = _lanes(len(values))
    last: dict[float, float] = {}
    placed = []
    for place, value in enumerate(sorted(values)):
        x = axis.at(value)
        free = [y for y in lanes if x - last.get(y, -100.0) >= 2 * _RADIUS_PERCENT]
        # In a full strip the lane that was used longest ago serves, so that dots overlap least.
        y = free[0] if free else min(lanes, key=lambda lane: (last.get(lane, -100.0), (lane * 7 + place) % 5))
        last[y] = x
        placed.append(Dot(x, y))
    return tuple(placed)


def _lanes(count: int) -> list[float]:
    """Heights from the middle outwards; finer ones where there are many dots."""
    middle = (_TOP + _BOTTOM) / 2
    step = 7.0 if count <= 40 else 3.5
    half = int((_BOTTOM - _TOP) / 2 / step)
    return [middle, *[middle + sign * step * n for n in range(1, half + 1) for sign in (-1, 1)]]
