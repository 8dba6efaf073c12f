"""The device table as rows to take away: ids become names, states stand at each stage."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy import JSON, Boolean, Float, Integer
from sqlalchemy.orm import Session

from app.core.columns import Columns
from app.core.csv_text import Cell
from app.core.vocab import STAGES, defect_words
from app.db.base import Instant
from app.db.columns import device_columns, view_types
from app.db.models.facts import ALL_STAGES
from app.queries import names

_INNER = frozenset({"device_id", "piece_id", "root_id", "lithography_id"})
"""Ids that mean nothing outside the lab's own database."""
_FIRST = ("device_code", "device_kind", "purpose", "piece_code", "root_code")
_OWN_STAGE_COLUMNS = ("outcome", "verdict", "decided_at", "counts", "first_pass")


@dataclass(frozen=True)
class DeviceRows:
    """Header and one row a device; unknown is None. `defects` is a list of {kind, caused_at, found_at, verdict}."""

    header: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    kinds: tuple[str, ...]
    """What each column holds: text, whole, number, flag, instant or defects."""

    def columns(self) -> dict[str, tuple[Any, ...]]:
        """The values of each column."""
        by_column = list(zip(*self.rows, strict=True)) if self.rows else [()] * len(self.header)
        return dict(zip(self.header, by_column, strict=True))

    def cells(self) -> list[list[Cell]]:
        """The rows for a flat file: defects as words in one cell."""
        return [[_flat(value) for value in row] for row in self.rows]

    def objects(self) -> list[dict[str, Any]]:
        """The rows as JSON objects; instants in UTC."""
        return [dict(zip(self.header, (_plain(value) for value in row), strict=True)) for row in self.rows]


def device_rows(session: Session) -> DeviceRows:
    """Every device of the lab, by code; both kinds under one header."""
    takers = _takers(session)
    rows: list[tuple[Any, ...]] = []
    for kind in STAGES:
        table = device_columns(session, kind)
        lists = [take(table) for take in takers.values()]
        rows += list(zip(*lists, strict=True)) if len(table) else []
    ordered = tuple(sorted(rows, key=lambda row: str(row[0])))
    return DeviceRows(tuple(takers), ordered, tuple(_kind(name) for name in takers))


def _kind(name: str) -> str:
    """What a column holds; names that stand for ids are text, whether it was the first pass is a flag."""
    kind = view_types().get(name)
    if kind is None:
        return "flag" if name.endswith("_first_pass") else "text"
    kinds = ((Boolean, "flag"), (Integer, "whole"), (Float, "number"), (Instant, "instant"), (JSON, "defects"))
    return next((word for each, word in kinds if isinstance(kind, each)), "text")


Taker = Callable[[Columns], Sequence[Any]]


def _takers(session: Session) -> dict[str, Taker]:
    """How each exported column is read from the table, in the order of the header."""
    known = {
        "_recipe_version_id": ("_recipe_version", names.version_names(session)),
        "_operator_id": ("_operator", names.people_initials(session)),
        "_lot_id": ("_lot", names.lot_names(session)),
        "mask_array_id": ("mask_array", names.mask_array_names(session)),
    }
    types = view_types()
    inner = {name for name in types if name in _INNER or name.endswith("_event_id") or _of_stage(name)}
    takers: dict[str, Taker] = {name: _plainly(name, types[name]) for name in _FIRST}
    for stage in ALL_STAGES:
        takers[f"{stage}_state"] = _state(stage)
        takers[f"{stage}_first_pass"] = _first(stage)
    for name, kind in types.items():
        if name in takers or name in inner:
            continue
        ending = next((each for each in known if name.endswith(each)), None)
        if ending is None:
            takers[name] = _plainly(name, kind)
        else:
            short, words = known[ending]
            takers[name.removesuffix(ending) + short] = _named(name, words)
    return takers


def _of_stage(name: str) -> bool:
    return any(name == f"{stage}_{each}" for stage in ALL_STAGES for each in _OWN_STAGE_COLUMNS)


def _plainly(name: str, kind: Any) -> Taker:
    def take(table: Columns) -> Sequence[Any]:
        column = table[name]
        if isinstance(kind, Boolean):
            return [bool(each) for each in column]
        if isinstance(kind, Integer):
            return [None if np.isnan(each) else int(each) for each in column]
        if isinstance(kind, Float):
            return [None if np.isnan(each) else float(each) for each in column]
        if column.dtype.kind == "M":
            return [None if np.isnat(each) else each.astype(datetime).replace(tzinfo=UTC) for each in column]
        return [None if each == "" else each for each in column]

    return take


def _named(name: str, words: dict[int, str]) -> Taker:
    return lambda table: [None if np.isnan(each) else words.get(int(each)) for each in table[name]]


def _state(stage: str) -> Taker:
    name = f"{stage}_state"
    return lambda table: list(table[name]) if name in table else [None] * len(table)


def _first(stage: str) -> Taker:
    name = f"{stage}_first"
    return lambda table: [bool(each) for each in table[name]] if name in table else [None] * len(table)


def _flat(value: Any) -> Cell:
    if isinstance(value, list):
        words = defect_words()
        return "; ".join(words.get(str(each.get("kind")), str(each.get("kind"))) for each in value) or None
    cell: Cell = value
    return cell


def _plain(value: Any) -> Any:
    return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ") if isinstance(value, datetime) else value
