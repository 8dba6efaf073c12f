"""Which mask sites a piece holds, and which of them are devices."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.sites import Array, Region
from app.db.models.events import Event
from app.db.models.material import Exposure, MaskArray, Piece, PieceRegion


@dataclass(frozen=True)
class ExposedArray:
    """One exposure as far as a piece holds it: `regions` of its array are on the piece."""

    exposure_id: int
    number: int
    lithography_id: int
    mask_array_id: int
    label: str
    array: Array
    regions: tuple[Region, ...]

    def holds(self, row: int, column: int) -> bool:
        """Whether the piece holds this site."""
        return any(region.holds(row, column) for region in self.regions)

    def sites(self) -> list[tuple[int, int]]:
        """Every site the piece holds, in map order."""
        return sorted({site for region in self.regions for site in region.sites()})


def array_of(row: MaskArray) -> Array:
    """The geometry of a mask array."""
    return Array(
        rows=row.rows,
        columns=row.columns,
        pitch_x_um=row.pitch_x_um,
        pitch_y_um=row.pitch_y_um,
        disc_um=row.disc_um,
        ladder_um=tuple(row.ladder_um or ()),
        origin_x_um=row.origin_x_um,
        origin_y_um=row.origin_y_um,
    )


def lineage_ids(session: Session, piece_id: int) -> list[int]:
    """The piece's id and its ancestors', youngest first."""
    ids: list[int] = []
    at: int | None = piece_id
    while at is not None:
        ids.append(at)
        at = session.scalar(select(Piece.parent_id).where(Piece.id == at))
    return ids


def exposures_on(session: Session, piece_id: int) -> list[ExposedArray]:
    """The arrays on a piece, by exposure number; of an ancestor's exposure only the regions it was parted with."""
    lineage = lineage_ids(session, piece_id)
    kept: dict[int, list[Region]] = defaultdict(list)
    for row in session.scalars(select(PieceRegion).where(PieceRegion.piece_id == piece_id)):
        kept[row.exposure_id].append(Region(row.row_low, row.row_high, row.column_low, row.column_high))
    statement = (
        select(Exposure, MaskArray)
        .join(MaskArray, MaskArray.id == Exposure.mask_array_id)
        .join(Event, Event.id == Exposure.lithography_id)
        .where(Exposure.piece_id.in_(lineage), Event.voided_at.is_(None))
        .order_by(Exposure.number)
    )
    found: list[ExposedArray] = []
    for exposure, mask_array in session.execute(statement):
        array = array_of(mask_array)
        whole = (Region(1, array.rows, 1, array.columns),) if exposure.piece_id == piece_id else ()
        regions = whole or tuple(kept.get(exposure.id, ()))
        if regions:
            found.append(
                ExposedArray(
                    exposure.id,
                    exposure.number,
                    exposure.lithography_id,
                    mask_array.id,
                    mask_array.label or f"array {mask_array.number}",
                    array,
                    regions,
                )
            )
    return found
