"""The device table as columns: what yield, recipe search and exports read, packed for numpy."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Column = NDArray[Any]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Columns:
    """Named columns of one length: floats (NaN where unknown), words ('' where none), instants (NaT), flags."""

    data: Mapping[str, Column]
    length: int

    def __post_init__(self) -> None:
        for name, column in self.data.items():
            if column.shape != (self.length,):
                raise ValueError(f"column {name} has shape {column.shape}, not ({self.length},)")

    def __len__(self) -> int:
        return self.length

    def __getitem__(self, name: str) -> Column:
        return self.data[name]

    def __contains__(self, name: str) -> bool:
        return name in self.data

    def where(self, mask: Column) -> Columns:
        """The rows of a boolean mask or of an array of row numbers."""
        data = {name: column[mask] for name, column in self.data.items()}
        length = int(mask.sum()) if mask.dtype == bool else len(mask)
        return Columns(data, length)

    def with_columns(self, more: Mapping[str, Column]) -> Columns:
        """The same rows with further (or replaced) columns."""
        return Columns({**self.data, **more}, self.length)


def numbers(values: Iterable[Any]) -> NDArray[np.float64]:
    """Floats, NaN where None."""
    return np.array([np.nan if value is None else float(value) for value in values], dtype=float)


def words(values: Iterable[Any]) -> NDArray[np.object_]:
    """Text, '' where None."""
    kept = ["" if value is None else str(value) for value in values]
    column = np.empty(len(kept), dtype=object)
    column[:] = kept
    return column


def flags(values: Iterable[Any]) -> Mask:
    """True where a value is truthy."""
    return np.array([bool(value) for value in values], dtype=bool)


def instants(values: Iterable[Any]) -> NDArray[np.datetime64]:
    """UTC instants without zone, NaT where None."""
    kept = [None if value is None else value.replace(tzinfo=None) for value in values]
    return np.array(kept, dtype="datetime64[us]")


def others(values: Iterable[Any]) -> NDArray[np.object_]:
    """Anything else, as it is."""
    kept = list(values)
    column = np.empty(len(kept), dtype=object)
    column[:] = kept
    return column


Packer = Callable[[Iterable[Any]], Column]


def joined(table: Columns, other: Columns, key: str, names: Iterable[str], prefix: str = "") -> Columns:
    """`table` with columns `names` of `other` (called `prefix` + name), matched by `key`; unknown where absent.

    `key` holds numbers, each at most once in `other`.
    """
    order = np.argsort(other[key], kind="stable")
    at = np.searchsorted(other[key][order], table[key])
    inside = at < len(other)
    found = np.zeros(len(table), dtype=bool)
    rows = order[at[inside]] if len(other) else np.empty(0, dtype=np.intp)
    found[inside] = other[key][rows] == table[key][inside]
    more: dict[str, Column] = {}
    for name in names:
        source = other[name]
        column = _unknown(source, len(table))
        column[found] = source[rows[found[inside]]]
        more[prefix + name] = column
    return table.with_columns(more)


def _unknown(like: Column, length: int) -> Column:
    if like.dtype == object:
        return words([None] * length)
    if like.dtype.kind == "M":
        return np.full(length, "NaT", dtype=like.dtype)
    return np.zeros(length, dtype=bool) if like.dtype == bool else np.full(length, np.nan)
