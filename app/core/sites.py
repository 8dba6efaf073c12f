"""Mask sites: index and position, which sites a region holds, and codes of devices."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

SITE_CODE = re.compile(r"^(?P<root>.+)-(?P<number>\d+)-(?P<row>\d{2,})(?P<column>\d{2})$")


@dataclass(frozen=True)
class Array:
    """Rows × columns of discs; positions in µm from the array's origin, row 1 at the top, column 1 at the left."""

    rows: int
    columns: int
    pitch_x_um: float
    pitch_y_um: float
    disc_um: float
    ladder_um: tuple[float, ...] = ()
    origin_x_um: float = 0.0
    origin_y_um: float = 0.0

    def __post_init__(self) -> None:
        if self.rows < 1 or self.columns < 1:
            raise ValueError("an array has at least one row and one column")
        if self.columns > 99:
            raise ValueError("an array has at most 99 columns, or its codes could not be told apart")
        if self.ladder_um and len(self.ladder_um) != self.rows:
            raise ValueError("a size ladder gives one size for each row")

    def position_um(self, row: int, column: int) -> tuple[float, float]:
        """(x, y) of a site's centre in µm, y downwards; ValueError outside the array."""
        self._check(row, column)
        return (
            self.origin_x_um + (column - 1) * self.pitch_x_um,
            self.origin_y_um + (row - 1) * self.pitch_y_um,
        )

    def size_um(self, row: int) -> float:
        """Nominal disc diameter in a row, from the ladder where there is one."""
        self._check(row, 1)
        return self.ladder_um[row - 1] if self.ladder_um else self.disc_um

    @property
    def gap_um(self) -> float:
        """Least spacing between the edges of neighbouring discs."""
        widest = max(self.ladder_um) if self.ladder_um else self.disc_um
        return min(self.pitch_x_um, self.pitch_y_um) - widest

    def _check(self, row: int, column: int) -> None:
        if not (1 <= row <= self.rows and 1 <= column <= self.columns):
            raise ValueError(f"row {row}, column {column} is outside the {self.rows} × {self.columns} array")


@dataclass(frozen=True)
class Region:
    """An inclusive range of rows and columns of one exposure."""

    row_low: int
    row_high: int
    column_low: int
    column_high: int

    def __post_init__(self) -> None:
        if (
            self.row_low < 1
            or self.column_low < 1
            or self.row_high < self.row_low
            or self.column_high < self.column_low
        ):
            raise ValueError("a region runs from a lower to a higher row and column, from 1")

    def holds(self, row: int, column: int) -> bool:
        """Whether the site lies in the region."""
        return self.row_low <= row <= self.row_high and self.column_low <= column <= self.column_high

    def overlaps(self, other: Region) -> bool:
        """Whether any site lies in both."""
        return not (
            self.row_high < other.row_low
            or other.row_high < self.row_low
            or self.column_high < other.column_low
            or other.column_high < self.column_low
        )

    def sites(self) -> Iterator[tuple[int, int]]:
        """(row, column) of each site, in map order."""
        for row in range(self.row_low, self.row_high + 1):
            for column in range(self.column_low, self.column_high + 1):
                yield row, column

    @property
    def count(self) -> int:
        """How many sites it holds."""
        return (self.row_high - self.row_low + 1) * (self.column_high - self.column_low + 1)


def site_code(root: str, number: int, row: int, column: int) -> str:
    """The code of the device at a site: wafer, n-th array exposed on it, row and column; true for life."""
    return f"{root}-{number}-{row:02d}{column:02d}"


def fibre_end_code(batch: str, end: int) -> str:
    """The code of a fibre end: batch and number."""
    return f"{batch}-{end:02d}"


def read_sites(text: str, rows: int, columns: int) -> list[tuple[int, int]]:
    """Sites from what a person types: `all`, `row 3`, `rows 2-4`, `0305`, `0301-0312`, joined by commas.

    `0301-0312` is the block from one corner to the other. ValueError says which part was not understood.
    """
    found: dict[tuple[int, int], None] = {}
    for part in (piece.strip().lower() for piece in re.split(r"[,;\n]+", text)):
        if part:
            found.update(dict.fromkeys(_read_part(part, rows, columns)))
    return list(found)


def _read_part(part: str, rows: int, columns: int) -> list[tuple[int, int]]:
    if part == "all":
        region = Region(1, rows, 1, columns)
    elif match := re.fullmatch(r"rows?\s*(\d+)(?:\s*(?:-|–|to)\s*(\d+))?", part):
        low = int(match[1])
        region = Region(low, int(match[2] or low), 1, columns)
    elif match := re.fullmatch(r"columns?\s*(\d+)(?:\s*(?:-|–|to)\s*(\d+))?", part):
        low = int(match[1])
        region = Region(1, rows, low, int(match[2] or low))
    elif match := re.fullmatch(r"(\d{2,})(\d{2})(?:\s*(?:-|–|to)\s*(\d{2,})(\d{2}))?", part):
        row, column = int(match[1]), int(match[2])
        region = Region(row, int(match[3] or row), column, int(match[4] or column))
    else:
        raise ValueError(f"'{part}' is not a site: write all, row 3, rows 2-4, 0305 or 0301-0312")
    if region.row_high > rows or region.column_high > columns:
        raise ValueError(f"'{part}' reaches outside the {rows} × {columns} array")
    return list(region.sites())
