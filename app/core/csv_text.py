"""CSV as spreadsheets and numpy read it: numbers as numbers, text that could be a formula made harmless."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime

Cell = str | float | int | bool | datetime | None

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A spreadsheet takes text that begins with one of these for a formula."""


def cell_text(value: Cell) -> str:
    """One cell: text that could be a formula gets an apostrophe in front, numbers are left alone, unknown is blank."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        at = value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
        return at.strftime("%Y-%m-%dT%H:%M:%SZ")
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA_STARTS) else value
    return repr(value)


def csv_lines(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[str]:
    """A file line by line: header first, commas, quotes where needed, lines ended as RFC 4180 has them."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(header)
    yield out.getvalue()
    for row in rows:
        out.seek(0)
        out.truncate()
        writer.writerow([cell_text(value) for value in row])
        yield out.getvalue()


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A whole file."""
    return "".join(csv_lines(header, rows))
