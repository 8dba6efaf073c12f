"""Whether a mask's arrays can be: discs apart, arrays apart, all of it on the plate inside its margin.

Coordinates are µm from the middle of the plate, x to the right, y down, as `core.sites.Array` has them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from app.core.sites import Array

MOST_SITES = 200_000
"""More sites than this on one mask are a typing error."""


@dataclass(frozen=True)
class Box:
    """The rectangle around the discs of an array, rims included."""

    left_um: float
    top_um: float
    right_um: float
    bottom_um: float

    @property
    def middle_um(self) -> tuple[float, float]:
        """(x, y) of its middle."""
        return (self.left_um + self.right_um) / 2, (self.top_um + self.bottom_um) / 2

    @property
    def width_um(self) -> float:
        """From the leftmost rim to the rightmost."""
        return self.right_um - self.left_um

    @property
    def height_um(self) -> float:
        """From the topmost rim to the lowest."""
        return self.bottom_um - self.top_um


@dataclass(frozen=True)
class Fault:
    """Something that cannot be: `array` counts from 0, `at` names the field to mend."""

    array: int
    at: str
    text: str


def box_of(array: Array) -> Box:
    """The rectangle around all discs of `array`; the half widths are those of its widest disc."""
    radius = _widest_um(array) / 2
    return Box(
        array.origin_x_um - radius,
        array.origin_y_um - radius,
        array.origin_x_um + (array.columns - 1) * array.pitch_x_um + radius,
        array.origin_y_um + (array.rows - 1) * array.pitch_y_um + radius,
    )


def faults(arrays: Sequence[Array], plate_mm: float | None, edge_margin_mm: float | None) -> list[Fault]:
    """Everything about the arrays that cannot be, each with the field to mend."""
    found: list[Fault] = []
    for index, array in enumerate(arrays):
        found += _own_faults(index, array)
        if plate_mm is not None:
            found += _off_plate(index, array, plate_mm, edge_margin_mm or 0.0)
        if not found:
            found += [
                Fault(index, "origin_x_um", f"Discs of this array lie over discs of array {other + 1}.")
                for other in range(index)
                if overlap(arrays[other], array)
            ]
    return found


def side_by_side(arrays: Sequence[Array]) -> list[Array]:
    """The arrays in a row, a pitch between neighbours, the whole in the middle of the plate."""
    boxes = [box_of(array) for array in arrays]
    gaps = [array.pitch_x_um for array in arrays[1:]]
    at = -(sum(box.width_um for box in boxes) + sum(gaps)) / 2
    placed: list[Array] = []
    for array, box, gap in zip(arrays, boxes, [*gaps, 0.0], strict=True):
        x = at + (array.origin_x_um - box.left_um)
        y = -box.height_um / 2 + (array.origin_y_um - box.top_um)
        placed.append(replace(array, origin_x_um=round(x), origin_y_um=round(y)))
        at += box.width_um + gap
    return placed


def overlap(one: Array, other: Array) -> bool:
    """Whether any disc of one array touches a disc of the other: centres nearer than the sum of radii.

    For each centre (n, 2) of the smaller array the nearest sites of the other lattice are looked at.
    """
    few, many = sorted((one, other), key=lambda array: array.rows * array.columns)
    a, b = box_of(few), box_of(many)
    if a.left_um >= b.right_um or b.left_um >= a.right_um or a.top_um >= b.bottom_um or b.top_um >= a.bottom_um:
        return False
    x, y, radius = _sites(few)
    for step_x in (0, 1):
        for step_y in (0, 1):
            column = np.floor((x - many.origin_x_um) / many.pitch_x_um) + step_x
            row = np.floor((y - many.origin_y_um) / many.pitch_y_um) + step_y
            column, row = np.clip(column, 0, many.columns - 1), np.clip(row, 0, many.rows - 1)
            distance = np.hypot(
                x - many.origin_x_um - column * many.pitch_x_um, y - many.origin_y_um - row * many.pitch_y_um
            )
            sizes = np.array(many.ladder_um or [many.disc_um] * many.rows)
            if bool(np.any(distance < radius + sizes[row.astype(int)] / 2)):
                return True
    return False


def _sites(array: Array) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """(x, y, radius) of every disc in µm, each (rows × columns,)."""
    row, column = np.divmod(np.arange(array.rows * array.columns), array.columns)
    sizes = np.array(array.ladder_um or [array.disc_um] * array.rows, dtype=float)
    x = array.origin_x_um + column * array.pitch_x_um
    y = array.origin_y_um + row * array.pitch_y_um
    return x.astype(float), y.astype(float), sizes[row] / 2


def _own_faults(index: int, array: Array) -> list[Fault]:
    found: list[Fault] = []
    if array.rows * array.columns > MOST_SITES:
        found.append(Fault(index, "rows", f"{array.rows * array.columns} sites are too many for one array."))
    widest = _widest_um(array)
    if array.columns > 1 and array.pitch_x_um <= widest:
        found.append(Fault(index, "pitch_x_um", f"Discs of {widest:g} µm would touch at this pitch."))
    if array.rows > 1 and array.pitch_y_um <= widest:
        found.append(Fault(index, "pitch_y_um", f"Discs of {widest:g} µm would touch at this pitch."))
    return found


def _off_plate(index: int, array: Array, plate_mm: float, margin_mm: float) -> list[Fault]:
    reach_um = 1000 * (plate_mm / 2 - margin_mm)
    box = box_of(array)
    found: list[Fault] = []
    if reach_um <= 0:
        return [Fault(index, "edge_margin_mm", "The margin leaves nothing of the plate.")]
    for at, low, high in (("origin_x_um", box.left_um, box.right_um), ("origin_y_um", box.top_um, box.bottom_um)):
        if low < -reach_um or high > reach_um:
            words = f"It runs from {low / 1000:.1f} to {high / 1000:.1f} mm from the middle of the plate; "
            found.append(Fault(index, at, f"{words}{reach_um / 1000:.1f} mm either way is free inside the margin."))
    return found


def _widest_um(array: Array) -> float:
    return max(array.ladder_um) if array.ladder_um else array.disc_um
