"""A mask drawn to scale: the plate with its arrays, and a corner of each array with its discs. Units are µm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from app.core.mask_layout import Box, box_of
from app.core.sites import Array

CORNER_ROWS, CORNER_COLUMNS = 5, 8
TALL = 0.7
"""A corner is drawn at most so high for its width."""
BARS_UM = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)
"""Lengths a scale bar may have."""


@dataclass(frozen=True)
class Bar:
    """A scale bar: from `x` to `x + length`, at `y`."""

    x: float
    y: float
    length: float
    words: str
    words_y: float


@dataclass(frozen=True)
class PlateDrawing:
    """The view box, the plate (None where its size is not known), its free margin, and each array's box."""

    left: float
    top: float
    width: float
    height: float
    font: float
    plate: Box | None
    margin: Box | None
    arrays: tuple[Box, ...]
    bar: Bar
    says: str


@dataclass(frozen=True)
class Disc:
    """A disc by its centre and radius."""

    x: float
    y: float
    radius: float


@dataclass(frozen=True)
class ArrayDrawing:
    """The first rows and columns of an array, discs and spacing to scale."""

    left: float
    top: float
    width: float
    height: float
    font: float
    discs: tuple[Disc, ...]
    bar: Bar
    says: str


def draw_plate(arrays: Sequence[Array], plate_mm: float | None, edge_margin_mm: float | None) -> PlateDrawing:
    """The plate from above, its middle at (0, 0); without a plate size, the arrays alone."""
    boxes = tuple(box_of(array) for array in arrays)
    plate = _square(plate_mm / 2) if plate_mm else None
    margin = _square(plate_mm / 2 - edge_margin_mm) if plate_mm and edge_margin_mm else None
    around = [plate, *boxes] if plate else list(boxes)
    left, top = min(box.left_um for box in around), min(box.top_um for box in around)
    width = max(box.right_um for box in around) - left
    height = max(box.bottom_um for box in around) - top
    edge = 0.03 * max(width, height)
    bar = _bar(left, top + height + 2.2 * edge, width, 1.8 * edge)
    where = f" on a plate of {plate_mm:g} mm" if plate_mm else ""
    says = f"{len(boxes)} array{'' if len(boxes) == 1 else 's'}{where}, to scale"
    return PlateDrawing(
        left=left - edge,
        top=top - edge,
        width=width + 2 * edge,
        height=height + 5 * edge,
        font=1.4 * edge,
        plate=plate,
        margin=margin,
        arrays=boxes,
        bar=bar,
        says=says,
    )


def draw_array(array: Array) -> ArrayDrawing:
    """The corner at row 1, column 1, with as many discs as show size and spacing."""
    columns = min(array.columns, CORNER_COLUMNS)
    fitting = 1 + int(TALL * columns * array.pitch_x_um / array.pitch_y_um)
    rows = min(array.rows, CORNER_ROWS, max(2, fitting))
    discs = tuple(
        Disc((column - 1) * array.pitch_x_um, (row - 1) * array.pitch_y_um, array.size_um(row) / 2)
        for row in range(1, rows + 1)
        for column in range(1, columns + 1)
    )
    reach = max(disc.radius for disc in discs)
    width = (columns - 1) * array.pitch_x_um + 2 * reach
    height = (rows - 1) * array.pitch_y_um + 2 * reach
    edge = 0.04 * max(width, height)
    return ArrayDrawing(
        left=-reach - edge,
        top=-reach - edge,
        width=width + 2 * edge,
        height=height + 6 * edge,
        font=1.4 * edge,
        discs=discs,
        bar=_bar(-reach, height - reach + 2.2 * edge, width, 1.9 * edge),
        says=f"First {rows} of {array.rows} rows and {columns} of {array.columns} columns, to scale",
    )


def _square(half_mm: float) -> Box:
    return Box(-1000 * half_mm, -1000 * half_mm, 1000 * half_mm, 1000 * half_mm)


def _bar(x: float, y: float, width: float, below: float) -> Bar:
    length = max((each for each in BARS_UM if each <= 0.4 * width), default=BARS_UM[0])
    words = f"{length / 1000:g} mm" if length >= 1000 else f"{length} µm"
    return Bar(x, y, length, words, y + below)
