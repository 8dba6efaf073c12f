"""Masks with their arrays, and where they have been used."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.figures import figure
from app.core.sites import Array
from app.db.models.material import Exposure, Mask, MaskArray, Piece
from app.queries.sites import array_of


@dataclass(frozen=True)
class ArrayRow:
    """One array of a mask; `exposures` counts how often it was put on a piece."""

    id: int
    number: int
    label: str
    array: Array
    exposures: int

    @property
    def origin_words(self) -> str:
        """Where the centre of row 1, column 1 lies."""
        x, y = figure(self.array.origin_x_um / 1000, 2), figure(self.array.origin_y_um / 1000, 2)
        return f"{x} mm across, {y} mm down from the middle"


@dataclass(frozen=True)
class MaskFacts:
    """One mask revision; `pieces` are (kind, code) of those it was exposed on."""

    id: int
    code: str
    name: str
    plate_mm: float | None
    edge_margin_mm: float | None
    note: str
    version: int
    arrays: tuple[ArrayRow, ...]
    pieces: tuple[tuple[str, str], ...] = ()

    @property
    def sites(self) -> int:
        """Discs on the whole mask."""
        return sum(row.array.rows * row.array.columns for row in self.arrays)


def mask_list(session: Session) -> list[MaskFacts]:
    """Every mask, by code."""
    masks = session.scalars(select(Mask).order_by(Mask.code_key)).all()
    arrays = _arrays(session)
    return [_facts(mask, arrays.get(mask.id, [])) for mask in masks]


def mask_facts(session: Session, code: str) -> MaskFacts | None:
    """One mask by its code, whatever its case; None where there is none."""
    mask = session.scalar(select(Mask).where(Mask.code_key == code.casefold()))
    if mask is None:
        return None
    pieces = session.execute(
        select(Piece.kind, Piece.code)
        .join(Exposure, Exposure.piece_id == Piece.id)
        .join(MaskArray, MaskArray.id == Exposure.mask_array_id)
        .where(MaskArray.mask_id == mask.id)
        .distinct()
        .order_by(Piece.code)
    )
    return _facts(mask, _arrays(session).get(mask.id, []), tuple((kind, piece) for kind, piece in pieces))


def _arrays(session: Session) -> dict[int, list[ArrayRow]]:
    exposed = dict(session.execute(select(Exposure.mask_array_id, func.count()).group_by(Exposure.mask_array_id)).all())
    found: dict[int, list[ArrayRow]] = {}
    for row in session.scalars(select(MaskArray).order_by(MaskArray.number)):
        found.setdefault(row.mask_id, []).append(
            ArrayRow(row.id, row.number, row.label or "", array_of(row), exposed.get(row.id, 0))
        )
    return found


def _facts(mask: Mask, arrays: list[ArrayRow], pieces: tuple[tuple[str, str], ...] = ()) -> MaskFacts:
    return MaskFacts(
        id=mask.id,
        code=mask.code,
        name=mask.name or "",
        plate_mm=mask.plate_mm,
        edge_margin_mm=mask.edge_margin_mm,
        note=mask.note or "",
        version=mask.version,
        arrays=tuple(arrays),
        pieces=pieces,
    )
