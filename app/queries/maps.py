"""Sites and devices of a piece, with everything a map can colour them by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.quantities import QUANTITIES, Quantity
from app.db.models.facts import ALL_STAGES, DEVICE_FACTS, PIECE_FACTS
from app.queries.sites import ExposedArray, exposures_on
from app.queries.standing import Standing, device_standing, piece_standing, verdict_of

_ALIKE = {
    "reflow_power_w": "power_w",
    "reflow_exposure_s": "exposure_s",
    "reflow_intensity_kw_cm2": "intensity_kw_cm2",
    "reflow_spot_um": "spot_um",
}
_SHOWN = (
    "q_best", "pillar_ratio", "outer_um", "minor_um", "q_typical", "disc_um", "nominal_um", "undercut_um",
    "pillar_offset_um", "roundness_um", "reflow_power_w", "reflow_exposure_s", "reflow_intensity_kw_cm2",
    "reflow_spot_um", "reflow_shots", "linewidth_mhz", "splitting_mhz", "modes_fitted", "scans", "days_to_scan",
)  # fmt: skip
SHOWABLE: dict[str, Quantity] = {name: replace(QUANTITIES[_ALIKE.get(name, name)], name=name) for name in _SHOWN}
"""Columns of the device table a map can be coloured by, with the quantity each is."""
_STAGE_COLUMNS = [f"{stage}_{what}" for stage in ALL_STAGES for what in ("outcome", "verdict")]
_COLUMNS = list(
    dict.fromkeys(
        ["device_id", "device_code", "device_kind", "piece_id", "purpose", "array_number", "row", "column", "lost_at",
         "reflow_outcome", "reflow_recipe_version_id", "defects", "band", "medium", "q_best_low", "q_best_high",
         "lost_cause", "last_deed_at", *_SHOWN, *_STAGE_COLUMNS]
    )
)  # fmt: skip


@dataclass(frozen=True)
class DeviceLine:
    """One device as a map and a table show it; `values` by the names of `SHOWABLE`."""

    id: int
    code: str
    kind: str
    piece_code: str
    purpose: str
    number: int | None
    row: int | None
    column: int | None
    standing: Standing
    verdict: str
    outcome: str
    lost: bool
    values: Mapping[str, float | None]
    q_low: float | None
    q_high: float | None
    band: str
    medium: str
    defects: tuple[str, ...]


@dataclass(frozen=True)
class ArrayOnPiece:
    """One exposure as a piece holds it, and the devices on its sites."""

    exposed: ExposedArray
    sites: tuple[tuple[int, int], ...]
    devices: Mapping[tuple[int, int], DeviceLine]


def devices_on(session: Session, piece_ids: Sequence[int]) -> list[DeviceLine]:
    """Every device on these pieces, by code."""
    facts = DEVICE_FACTS.c
    pieces = {
        row["piece_id"]: dict(row)
        for row in session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id.in_(piece_ids))).mappings()
    }
    kinds = ("microtoroid", "microsphere")
    standings = {(piece, kind): piece_standing(row, kind) for piece, row in pieces.items() for kind in kinds}
    rows = session.execute(
        select(*[facts[name] for name in _COLUMNS]).where(facts.piece_id.in_(piece_ids)).order_by(facts.device_code)
    ).mappings()
    return [
        _line(row, device_standing(row, standings[row["piece_id"], row["device_kind"]]), pieces[row["piece_id"]])
        for row in (dict(row) for row in rows)
    ]


def arrays_on(session: Session, piece_id: int, devices: Sequence[DeviceLine]) -> list[ArrayOnPiece]:
    """The arrays a piece holds, each with those of `devices` that are on it."""
    by_array: dict[int, dict[tuple[int, int], DeviceLine]] = {}
    for device in devices:
        if device.number is not None and device.row is not None and device.column is not None:
            by_array.setdefault(device.number, {})[device.row, device.column] = device
    return [
        ArrayOnPiece(exposed, tuple(exposed.sites()), by_array.get(exposed.number, {}))
        for exposed in exposures_on(session, piece_id)
    ]


def _line(row: Mapping[str, Any], standing: Standing, piece: Mapping[str, Any]) -> DeviceLine:
    return DeviceLine(
        id=row["device_id"],
        code=row["device_code"],
        kind=row["device_kind"],
        piece_code=piece["piece_code"],
        purpose=row["purpose"],
        number=row["array_number"],
        row=row["row"],
        column=row["column"],
        standing=standing,
        verdict=verdict_of(row),
        outcome=row["reflow_outcome"] or "",
        lost=row["lost_at"] is not None,
        values={name: row[name] for name in _SHOWN},
        q_low=row["q_best_low"],
        q_high=row["q_best_high"],
        band=row["band"] or "",
        medium=row["medium"] or "",
        defects=tuple(dict.fromkeys(each["kind"] for each in row["defects"] or ())),
    )
