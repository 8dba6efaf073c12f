"""Mask sites: index and position, which sites a region holds, and codes of devices."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
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
    """Sites from what a person types: `all`, `row 3`, `rows 2-4`, `column 7`, `0305`, `0301-0312`, joined by commas.

    `0301-0312` is the block from one corner to the other. ValueError says which part was not understood.
    """
    found: dict[tuple[int, int], None] = {}
    for part in (piece.strip().lower() for piece in re.split(r"[,;\n]+", text)):
        if part:
            found.update(dict.fromkeys(_read_part(part, rows, columns)))
    return list(found)


def regions_of(sites: Collection[tuple[int, int]]) -> list[Region]:
    """Few regions that together hold exactly `sites`, none twice: runs along rows, joined where rows agree."""
    by_row: dict[int, list[int]] = {}
    for row, column in sorted(set(sites)):
        by_row.setdefault(row, []).append(column)
    done: list[Region] = []
    open_runs: dict[tuple[int, int], int] = {}
    last = 0
    for row, columns in by_row.items():
        runs = _runs(columns)
        carried = {run: open_runs[run] for run in runs if run in open_runs and row == last + 1}
        done += [Region(top, last, low, high) for (low, high), top in open_runs.items() if (low, high) not in carried]
        open_runs = {run: carried.get(run, row) for run in runs}
        last = row
    done += [Region(top, last, low, high) for (low, high), top in open_runs.items()]
    return sorted(done, key=lambda region: (region.row_low, region.column_low))


def sites_text(sites: Collection[tuple[int, int]], rows: int, columns: int) -> str:
    """`sites` in words that `read_sites` understands: all, rows 2-4, 0305, 0301-0312."""
    if len(set(sites)) == rows * columns:
        return "all"
    words: list[str] = []
    for region in regions_of(sites):
        first = f"{region.row_low:02d}{region.column_low:02d}"
        if region.column_low == 1 and region.column_high == columns:
            one = region.row_low == region.row_high
            words.append(f"row {region.row_low}" if one else f"rows {region.row_low}-{region.row_high}")
        elif region.count == 1:
            words.append(first)
        else:
            words.append(f"{first}-{region.row_high:02d}{region.column_high:02d}")
    return ", ".join(words)


def outline_of(sites: Collection[tuple[int, int]]) -> list[tuple[float, float]]:
    """Corners (column, row) of the line round `sites`, half a step outside; or of their frame if they are in parts."""
    held = set(sites)
    if not held:
        return []
    edges: dict[tuple[int, int], tuple[int, int]] = {}
    for row, column in held:
        corners = ((column, row), (column + 1, row), (column + 1, row + 1), (column, row + 1))
        outside = ((row - 1, column), (row, column + 1), (row + 1, column), (row, column - 1))
        for place, beyond in enumerate(outside):
            if beyond not in held:
                if corners[place] in edges:
                    return _frame_of(held)
                edges[corners[place]] = corners[(place + 1) % 4]
    start = min(edges)
    line = [start]
    while (at := edges[line[-1]]) != start:
        line.append(at)
    if len(line) != len(edges):
        return _frame_of(held)
    around = [*line[-1:], *line, start]
    turns = [b for a, b, c in zip(around, around[1:], around[2:], strict=False) if not _straight(a, b, c)]
    return [(x - 0.5, y - 0.5) for x, y in turns]


def _straight(a: tuple[int, int], b: tuple[int, int], c: tuple[int, int]) -> bool:
    return (a[0] == b[0] == c[0]) or (a[1] == b[1] == c[1])


def _frame_of(sites: Collection[tuple[int, int]]) -> list[tuple[float, float]]:
    top, bottom = min(row for row, _ in sites) - 0.5, max(row for row, _ in sites) + 0.5
    left, right = min(column for _, column in sites) - 0.5, max(column for _, column in sites) + 0.5
    return [(left, top), (right, top), (right, bottom), (left, bottom)]


def _runs(columns: list[int]) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    for column in columns:
        if runs and runs[-1][1] == column - 1:
            runs[-1] = (runs[-1][0], column)
        else:
            runs.append((column, column))
    return runs


def _read_part(part: str, rows: int, columns: int) -> list[tuple[int, int]]:
    if part == "all":
        ends = (1, rows, 1, columns)
    elif match := re.fullmatch(r"rows?\s*([0-9]+)(?:\s*(?:-|–|to)\s*([0-9]+))?", part):
        ends = (int(match[1]), int(match[2] or match[1]), 1, columns)
    elif match := re.fullmatch(r"columns?\s*([0-9]+)(?:\s*(?:-|–|to)\s*([0-9]+))?", part):
        ends = (1, rows, int(match[1]), int(match[2] or match[1]))
    elif match := re.fullmatch(r"([0-9]{2,})([0-9]{2})(?:\s*(?:-|–|to)\s*([0-9]{2,})([0-9]{2}))?", part):
        row, column = int(match[1]), int(match[2])
        ends = (row, int(match[3] or row), column, int(match[4] or column))
    else:
        raise ValueError(f"'{part}' is not a site: write all, row 3, rows 2-4, column 7, 0305 or 0301-0312")
    row_low, row_high, column_low, column_high = ends
    if row_low < 1 or column_low < 1 or row_high > rows or column_high > columns:
        raise ValueError(f"'{part}' reaches outside the {rows} × {columns} array")
    if row_high < row_low or column_high < column_low:
        raise ValueError(f"'{part}' runs backwards: write the lower number first")
    return list(Region(row_low, row_high, column_low, column_high).sites())
