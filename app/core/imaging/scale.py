"""How many micrometres a pixel is: from a length measured in pixels, or from a scale bar drawn into the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.core.imaging.rays import Bools

LEAST_BAR = 0.04
"""A bar is at least this share of the picture's width."""
THICKEST_BAR = 0.06
_Gray = NDArray[np.generic]


@dataclass(frozen=True)
class Bar:
    """A horizontal scale bar: its first and last column, its rows and its length in pixels."""

    left: int
    right: int
    top: int
    bottom: int

    @property
    def length_px(self) -> int:
        """Columns the bar covers."""
        return self.right - self.left + 1


def um_per_px(length_um: float, length_px: float) -> float:
    """µm per pixel of what is `length_um` long and covers `length_px` pixels; ValueError unless both are positive."""
    if not (length_um > 0 and length_px > 0):
        raise ValueError("a scale needs a length in µm and in pixels, both more than nothing")
    return length_um / length_px


def find_bar(picture: _Gray) -> Bar | None:
    """The longest solid bar of the picture's whitest or blackest value; None where nothing looks like one.

    A drawn bar is a rectangle of one single value, as no camera makes it: at least 2 rows of equal runs, at least
    4 % of the width long, at least 4 times as long as thick, and not reaching the picture's edge.
    """
    found = [bar for value in (picture.max(), picture.min()) if (bar := _bar_of(picture == value)) is not None]
    return max(found, key=lambda bar: bar.length_px, default=None)


def _bar_of(same: Bools) -> Bar | None:
    rows, columns = same.shape
    least = max(8, int(LEAST_BAR * columns))
    runs: dict[tuple[int, int], list[int]] = {}
    for row in np.flatnonzero(np.count_nonzero(same, axis=1) >= least):
        steps = np.diff(np.concatenate([[0], same[row].astype(np.int8), [0]]))
        starts, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1) - 1
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            if end - start + 1 >= least and start > 0 and end < columns - 1:
                runs.setdefault((start, end), []).append(int(row))
    best: Bar | None = None
    for (start, end), at in runs.items():
        thick = at[-1] - at[0] + 1
        solid = len(at) == thick and 2 <= thick <= max(3, THICKEST_BAR * rows) and end - start + 1 >= 4 * thick
        if solid and (best is None or end - start + 1 > best.length_px):
            best = Bar(start, end, at[0], at[-1])
    return best


def circle_through(points: tuple[tuple[float, float], ...]) -> tuple[float, float, float]:
    """(x, y, radius) of the circle through three points; ValueError where they lie on one line."""
    if len(points) != 3:
        raise ValueError("a circle goes through three points")
    (ax, ay), (bx, by), (cx, cy) = points
    twice = 2 * ((bx - ax) * (cy - ay) - (by - ay) * (cx - ax))
    longest = max(np.hypot(bx - ax, by - ay), np.hypot(cx - ax, cy - ay), np.hypot(cx - bx, cy - by))
    if abs(twice) < 1e-3 * longest**2 or longest == 0:
        raise ValueError("the three points lie almost on one line")
    b2, c2 = (bx - ax) ** 2 + (by - ay) ** 2, (cx - ax) ** 2 + (cy - ay) ** 2
    x = ((cy - ay) * b2 - (by - ay) * c2) / twice
    y = ((bx - ax) * c2 - (cx - ax) * b2) / twice
    return ax + float(x), ay + float(y), float(np.hypot(x, y))
