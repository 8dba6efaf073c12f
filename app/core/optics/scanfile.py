"""Scan files: the bytes of a delimited text, as instruments and people write it, into columns of numbers."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from app.core.optics.arrayfile import is_array_file, read_arrays
from app.core.optics.layout import Layout, headings, number, sniff, split_fields
from app.core.optics.results import FloatArray
from app.core.optics.textbytes import decode
from app.core.optics.units import unit_of_header, unit_of_word
from app.core.optics.unreadable import ScanUnreadable

MINIMUM_ROWS = 16
LARGEST_VALUE = 1e100
_PIECE = 4_000_000  # characters parsed at once: bounds the memory of long files
_DELIMITER_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma", None: "blanks"}
_DECIMAL_NAMES = {".": "point", ",": "comma"}


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns of numbers and what was understood of the file: `values` (n rows, k columns), all finite."""

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    values: FloatArray
    delimiter: str
    decimal: str
    encoding: str
    heading_lines: int
    skipped_lines: tuple[int, ...]
    skipped_count: int
    container: str = ""
    """Format of a file of arrays; empty for text."""

    def in_words(self) -> str:
        """One sentence on what was understood, for a person to confirm."""
        names = ", ".join(
            f"{name} ({unit})" if unit and unit not in name else name
            for name, unit in zip(self.names, self.units, strict=True)
        )
        if self.container:
            left = f"; {self.skipped_count} rows that are not finite left out" if self.skipped_count else ""
            return f"{len(self.values)} rows; columns {names}; {self.container}{left}"
        skipped = ""
        if self.skipped_count:
            first = ", ".join(str(i) for i in self.skipped_lines[:3])
            skipped = f"; {self.skipped_count} lines without numbers skipped (line {first}"
            skipped += ", …)" if self.skipped_count > 3 else ")"
        return (
            f"{len(self.values)} rows; columns {names}; separated by {self.delimiter}, "
            f"decimal {self.decimal}, {self.encoding}; {self.heading_lines} lines above the numbers{skipped}"
        )


def read_columns(data: bytes) -> Columns:
    """Read delimited text: `,` `;` tab or blanks, decimal point or comma, preamble, heading, any common encoding.

    Rows that are blank, not numbers or not finite are skipped and counted. Raises ScanUnreadable where no table
    of at least two columns and 16 rows of finite numbers is found, and says what was found instead. Files of arrays
    (.npy, .npz, HDF5, MAT level 5) are read too.
    """
    if is_array_file(data):
        return _of_arrays(data)
    text, encoding = decode(data)
    layout = _layout_of(text)
    first_line, start = _first_row(text, layout)
    above = text[:start].split("\n")[:-1]
    values, skipped, skipped_count = _parse(text, start, first_line, layout)
    if len(values) < MINIMUM_ROWS:
        raise ScanUnreadable("too_few_rows", f"only {len(values)} rows of numbers; a scan has at least {MINIMUM_ROWS}")
    names, units = headings(above, layout)
    return Columns(
        names=names,
        units=units,
        values=values,
        delimiter=_DELIMITER_NAMES[layout.delimiter],
        decimal=_DECIMAL_NAMES[layout.decimal],
        encoding=encoding,
        heading_lines=first_line - 1,
        skipped_lines=skipped,
        skipped_count=skipped_count,
    )


def _of_arrays(data: bytes) -> Columns:
    container, names, stated, values = read_arrays(data)
    finite = (np.abs(values) < LARGEST_VALUE).all(axis=1)
    kept = np.ascontiguousarray(values[finite])
    lost = len(values) - len(kept)
    if lost and lost >= len(kept):
        raise ScanUnreadable("not_finite", f"{lost} of {len(values)} rows are NaN or infinite")
    if len(kept) < MINIMUM_ROWS:
        raise ScanUnreadable("too_few_rows", f"only {len(kept)} rows of numbers; a scan has at least {MINIMUM_ROWS}")
    units = [unit_of_word(word) if word else unit_of_header(name) for name, word in zip(names, stated, strict=True)]
    return Columns(tuple(names), tuple(units), kept, "", "", "", 0, (), lost, container)


def _layout_of(text: str) -> Layout:
    # The middle of the file tells the layout of the table best: preambles stand at the top.
    middle = max(text.rfind("\n", 0, len(text) // 3) + 1, 0)
    sample = [line for line in text[middle : middle + 40_000].split("\n")[:300] if line.strip()]
    if len(sample) < 60:
        sample = [line for line in text[:80_000].split("\n")[:600] if line.strip()]
    layout = sniff(sample)
    if layout is not None:
        return layout
    words = sum(1 for line in sample if number(line.strip().strip('"'), ".") is not None)
    if sample and words > len(sample) / 2:
        raise ScanUnreadable("one_column", "only one column of numbers; a scan needs an axis and a signal")
    first = sample[0].strip()[:40] if sample else ""
    raise ScanUnreadable("no_numbers", f"no two columns of numbers found; the text begins '{first}'")


def _row(line: str, layout: Layout) -> list[float] | None:
    fields = split_fields(line, layout.delimiter)
    if len(fields) <= layout.numeric[-1]:
        return None
    row = []
    for i in layout.numeric:
        value = number(fields[i], layout.decimal)
        if value is None:
            return None
        row.append(value)
    return row


def _first_row(text: str, layout: Layout) -> tuple[int, int]:
    """Number (from 1) and offset of the first line that is a row of the table."""
    at, line_number = 0, 1
    while at < len(text):
        end = text.find("\n", at)
        end = len(text) if end < 0 else end
        line = text[at:end]
        if _row(line, layout) is not None and len(split_fields(line, layout.delimiter)) == layout.fields:
            return line_number, at
        at, line_number = end + 1, line_number + 1
    raise ScanUnreadable("no_numbers", "no row of numbers found")


def _pieces(text: str, start: int) -> Iterator[list[str]]:
    while start < len(text):
        end = text.find("\n", start + _PIECE)
        end = len(text) if end < 0 else end + 1
        piece = text[start:end]
        yield piece.removesuffix("\n").split("\n")
        start = end


def _parse(text: str, start: int, first_line: int, layout: Layout) -> tuple[FloatArray, tuple[int, ...], int]:
    blocks: list[FloatArray] = []
    skipped: list[int] = []
    total = 0
    not_finite = 0
    line_number = first_line
    for lines in _pieces(text, start):
        block = _fast(lines, layout)
        bad = np.empty(0, dtype=np.intp)
        if block is None:
            block, bad = _row_by_row(lines, layout)
        finite = (np.abs(block) < LARGEST_VALUE).all(axis=1)
        if not finite.all():
            not_finite += int((~finite).sum())
            rows = np.setdiff1d(np.arange(len(lines)), bad)[~finite]
            bad = np.sort(np.concatenate([bad, rows]))
            block = block[finite]
        bad = np.array([i for i in bad if lines[i].strip()], dtype=np.intp)
        total += len(bad)
        skipped += [int(i) + line_number for i in bad[: 10 - len(skipped)]]
        blocks.append(block)
        line_number += len(lines)
    values = np.concatenate(blocks)
    if not_finite and not_finite >= len(values):
        raise ScanUnreadable("not_finite", f"{not_finite} of {not_finite + len(values)} rows are NaN or infinite")
    return values, tuple(skipped), total


def _fast(lines: list[str], layout: Layout) -> FloatArray | None:
    """numpy's own parser, for a piece in which every line is a row; None where one is not."""
    if layout.decimal == ",":
        lines = "\n".join(lines).replace(".", "x").replace(",", ".").split("\n")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            block = np.loadtxt(
                lines, delimiter=layout.delimiter, usecols=layout.numeric, ndmin=2, comments=None, quotechar='"'
            )
    except ValueError:
        return None
    return block if len(block) == len(lines) else None


def _row_by_row(lines: list[str], layout: Layout) -> tuple[FloatArray, np.ndarray]:
    rows, bad = [], []
    for i, line in enumerate(lines):
        row = _row(line, layout)
        if row is None:
            bad.append(i)
        else:
            rows.append(row)
    block = np.array(rows, dtype=float).reshape(-1, len(layout.numeric))
    return block, np.array(bad, dtype=np.intp)
