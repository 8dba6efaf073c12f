"""The device table as Parquet: typed columns, each with its label and unit in the metadata of its field."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from app.core.quantities import QUANTITIES, Quantity
from app.queries.device_export import DeviceRows

if TYPE_CHECKING:
    import pyarrow as pa


def quantity_of(column: str) -> Quantity | None:
    """The declared quantity a column holds: its own name, what follows its step's name, or an interval's end of it."""
    parts = column.removesuffix("_low").removesuffix("_high").split("_")
    names = ("_".join(parts[start:]) for start in range(len(parts)))
    return next((QUANTITIES[name] for name in names if name in QUANTITIES), None)


def parquet_bytes(table: DeviceRows, about: Mapping[str, str]) -> bytes:
    """The whole file; `about` is kept as metadata of the schema. Unknown is null, instants are UTC."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    fields = [_field(name, kind) for name, kind in zip(table.header, table.kinds, strict=True)]
    schema = pa.schema(fields, metadata=dict(about))
    columns = [
        pa.array(values, type=field.type) for values, field in zip(table.columns().values(), fields, strict=True)
    ]
    out = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(columns, schema=schema), out, compression="zstd")
    return out.getvalue()


def _field(name: str, kind: str) -> pa.Field:
    import pyarrow as pa

    words = [(part, pa.string()) for part in ("kind", "caused_at", "found_at", "verdict")]
    types: dict[str, Any] = {
        "text": pa.string(),
        "whole": pa.int64(),
        "number": pa.float64(),
        "flag": pa.bool_(),
        "instant": pa.timestamp("us", tz="UTC"),
        "defects": pa.list_(pa.struct(words)),
    }
    quantity = quantity_of(name) if kind in ("whole", "number") else None
    told = {"label": quantity.label, "unit": quantity.unit} if quantity else None
    return pa.field(name, types[kind], metadata=told)
