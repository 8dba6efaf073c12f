"""A record of several sweeps: split where the axis turns, and the sweeps compared."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from app.core.optics.guess import means
from app.core.optics.results import Analysis, Check, FloatArray

_BLOCKS = 400
_TURN = 0.2
"""Share of the whole range by which the axis must come back to have turned."""
_WHOLE = 0.5
"""Share of the whole range a sweep must cover to be fitted."""
_FEWEST = 16


def sweeps(x: FloatArray) -> list[slice]:
    """Runs of x (n,), in the order recorded, over which it goes one way; one run where it never turns."""
    length = max(len(x) // _BLOCKS, 1)
    coarse = means(x, length)
    low, high = float(coarse.min()), float(coarse.max())
    if not high > low or len(coarse) < 8:
        return [slice(0, len(x))]
    turns = _turns(coarse.tolist(), _TURN * (high - low))
    # The turn itself is looked for among all samples near the block where it shows.
    edges = [0]
    for block, top in turns:
        first, last = max((block - 1) * length, 0), min((block + 2) * length, len(x))
        part = x[first:last]
        edges.append(first + int(np.argmax(part) if top else np.argmin(part)))
    edges.append(len(x))
    runs = [slice(a, b) for a, b in pairwise(edges) if b - a >= _FEWEST]
    return [run for run in runs if np.ptp(x[run]) >= _WHOLE * (high - low)] or [slice(0, len(x))]


def _turns(values: list[float], back: float) -> list[tuple[int, bool]]:
    """Where a series turns by more than `back`: index of each extreme, and whether it is a top."""
    found: list[tuple[int, bool]] = []
    top = bottom = 0
    rising: bool | None = None
    for i, v in enumerate(values):
        if v > values[top]:
            top = i
        if v < values[bottom]:
            bottom = i
        if rising is not False and values[top] - v > back:
            if rising:
                found.append((top, True))
            rising, bottom = False, i
        elif rising is not True and v - values[bottom] > back:
            if rising is False:
                found.append((bottom, False))
            rising, top = True, i
        if rising:
            bottom = i if v < values[bottom] else bottom
    return found


def compared(one: Analysis, others: list[Analysis]) -> Analysis:
    """`one` with the check of heating settled by sweeps the other way: widths that differ, or agree."""
    width = one.modes[0].linewidth_mhz
    worst: tuple[float, float] | None = None
    for other in others:
        if other.model != one.model:
            continue
        theirs = other.modes[0].linewidth_mhz
        difference = 100.0 * (width.value / theirs.value - 1.0)
        sigma = 100.0 * float(np.hypot(width.sigma or 0.0, theirs.sigma or 0.0)) / width.value
        if worst is None or abs(difference) > abs(worst[0]):
            worst = (difference, sigma)
    if worst is None:
        text = "The sweeps of this record do not show the same shape: heating, or a sweep too fast."
        return _with(one, Check("thermal_drag", "found", None, text))
    difference, sigma = worst
    if abs(difference) > max(2.0, 2.5 * sigma):
        text = (
            f"Sweeps up and down differ by {difference:+.1f} % in width: heating drags the dip, or the sweep is fast."
        )
        return _with(one, Check("thermal_drag", "found", difference, text))
    already = next(c for c in one.checks if c.code == "thermal_drag")
    if already.state == "found" or sigma > 5.0:
        return one
    text = f"Sweeps up and down agree in width to {abs(difference):.1f} %."
    return _with(one, Check("thermal_drag", "clear", difference, text))


def _with(one: Analysis, check: Check) -> Analysis:
    return replace(one, checks=tuple(check if c.code == check.code else c for c in one.checks))
