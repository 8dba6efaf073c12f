"""Material: lots, masks, pieces (wafer, chip, fibre batch) and the devices on them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db.base import Base, Versioned


class Lot(Versioned, Base):
    """A batch of bought or mixed material."""

    __tablename__ = "lot"
    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(String(40))
    code_key: Mapped[str] = mapped_column(String(40), unique=True)
    kind: Mapped[str] = mapped_column(String(30), index=True)
    name: Mapped[str | None] = mapped_column(String(120))
    supplier_lot: Mapped[str | None] = mapped_column(String(80))
    opened_at: Mapped[datetime | None]
    expires_at: Mapped[datetime | None]
    properties: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    """By kind: etchant ratio, cladding_um, coating_um, fibre type …"""
    used_up: Mapped[bool] = mapped_column(default=False)
    note: Mapped[str | None] = mapped_column(Text)


class Mask(Versioned, Base):
    """A photomask revision."""

    __tablename__ = "mask"
    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(String(40))
    code_key: Mapped[str] = mapped_column(String(40), unique=True)
    name: Mapped[str | None] = mapped_column(String(120))
    plate_mm: Mapped[float | None]
    edge_margin_mm: Mapped[float | None]
    note: Mapped[str | None] = mapped_column(Text)


class MaskArray(Versioned, Base):
    """One array of a mask: rows × columns of opaque discs; `ladder_um` gives a size per row where sizes climb."""

    __tablename__ = "mask_array"
    __table_args__ = (UniqueConstraint("mask_id", "number"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    mask_id: Mapped[int] = mapped_column(ForeignKey("mask.id"))
    number: Mapped[int]
    label: Mapped[str | None] = mapped_column(String(60))
    rows: Mapped[int]
    columns: Mapped[int]
    disc_um: Mapped[float]
    ladder_um: Mapped[list[float] | None] = mapped_column(JSON)
    pitch_x_um: Mapped[float]
    pitch_y_um: Mapped[float]
    origin_x_um: Mapped[float] = mapped_column(default=0.0)
    origin_y_um: Mapped[float] = mapped_column(default=0.0)


class Piece(Versioned, Base):
    """What process steps are done to; a child inherits every deed done to its ancestors."""

    __tablename__ = "piece"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(20), index=True)
    code: Mapped[str] = mapped_column(String(40))
    code_key: Mapped[str] = mapped_column(String(40), unique=True)
    parent_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id"), index=True)
    parting_id: Mapped[int | None] = mapped_column(ForeignKey("event.id"))
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id"))
    registered_at: Mapped[datetime]
    registered_by_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    arrived_stage: Mapped[str | None] = mapped_column(String(30))
    """Set where it came in half-made from elsewhere."""
    note: Mapped[str | None] = mapped_column(Text)
    __mapper_args__ = {"polymorphic_on": "kind", "with_polymorphic": "*"}


class Wafer(Piece):
    """An oxidised silicon wafer (or part of one) as bought or grown."""

    __tablename__ = "wafer"
    id: Mapped[int] = mapped_column(ForeignKey("piece.id"), primary_key=True)
    diameter_mm: Mapped[float | None]
    shape: Mapped[str] = mapped_column(String(20), default="whole")
    orientation: Mapped[str | None] = mapped_column(String(20))
    dopant: Mapped[str | None] = mapped_column(String(40))
    resistivity_ohm_cm: Mapped[float | None]
    oxide_grown: Mapped[str | None] = mapped_column(String(20))
    oxide_sides: Mapped[str | None] = mapped_column(String(10))
    oxide_um: Mapped[float | None]
    """Nominal, as bought; measured thickness is an OxideMeasurement."""
    __mapper_args__ = {"polymorphic_identity": "wafer"}


class Chip(Piece):
    """A piece cleaved or diced from a wafer or from a chip."""

    __tablename__ = "chip"
    id: Mapped[int] = mapped_column(ForeignKey("piece.id"), primary_key=True)
    width_mm: Mapped[float | None]
    height_mm: Mapped[float | None]
    thickness_um: Mapped[float | None]
    backside: Mapped[str] = mapped_column(String(20), default="unknown")
    orientation_mark: Mapped[str | None] = mapped_column(String(60))
    container: Mapped[str | None] = mapped_column(String(60))
    slot: Mapped[str | None] = mapped_column(String(20))
    __mapper_args__ = {"polymorphic_identity": "chip"}


class FibreBatch(Piece):
    """Fibre ends prepared together, from the spool named by `lot_id`."""

    __tablename__ = "fibre_batch"
    id: Mapped[int] = mapped_column(ForeignKey("piece.id"), primary_key=True)
    ends: Mapped[int]
    __mapper_args__ = {"polymorphic_identity": "fibre_batch"}


class Exposure(Base):
    """A mask array put on a piece by one lithography; `number` counts over the wafer it all came from."""

    __tablename__ = "exposure"
    __table_args__ = (UniqueConstraint("root_id", "number"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    lithography_id: Mapped[int] = mapped_column(ForeignKey("event.id"), index=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    root_id: Mapped[int] = mapped_column(ForeignKey("piece.id"))
    mask_array_id: Mapped[int] = mapped_column(ForeignKey("mask_array.id"))
    number: Mapped[int]
    mask_array: Mapped[MaskArray] = relationship(lazy="raise")


class PieceRegion(Base):
    """Which sites of an exposure a parted piece holds: an inclusive range of rows and columns."""

    __tablename__ = "piece_region"
    id: Mapped[int] = mapped_column(primary_key=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    exposure_id: Mapped[int] = mapped_column(ForeignKey("exposure.id"))
    row_low: Mapped[int]
    row_high: Mapped[int]
    column_low: Mapped[int]
    column_high: Mapped[int]


class Device(Versioned, Base):
    """One resonator: a mask site taken in hand, or one fibre end. `piece_id` is the piece it is on now."""

    __tablename__ = "device"
    __table_args__ = (Index("ix_device_site", "exposure_id", "row", "column", unique=True),)
    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(String(60))
    code_key: Mapped[str] = mapped_column(String(60), unique=True)
    kind: Mapped[str] = mapped_column(String(20))
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    taking_id: Mapped[int] = mapped_column(ForeignKey("event.id"))
    exposure_id: Mapped[int | None] = mapped_column(ForeignKey("exposure.id"))
    row: Mapped[int | None]
    column: Mapped[int | None]
    nominal_um: Mapped[float | None]
    purpose: Mapped[str] = mapped_column(String(20), default="candidate")
    """As taken in hand; later changes are PurposeChange events."""
