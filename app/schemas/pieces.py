"""Pieces and what becomes of them: registering, parting, taking in hand, whereabouts, ending, purpose."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from app.schemas.base import In, Line, Note

Reason = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
"""Why something was done."""
Site = tuple[int, int]
"""Row and column, from 1."""


class WaferIn(In):
    """A wafer to register; `points_um` are oxide thicknesses measured on it, `oxide_um` is as bought."""

    code: str
    diameter_mm: float | None = None
    shape: Literal["whole", "half", "quarter", "part"] = "whole"
    orientation: Line | None = None
    dopant: Line | None = None
    resistivity_ohm_cm: float | None = None
    oxide_grown: Literal["wet", "dry", "deposited"] | None = None
    oxide_sides: Literal["one", "both"] | None = None
    oxide_um: float | None = None
    points_um: tuple[float, ...] = ()
    method: Line | None = None
    measured_at: datetime | None = None
    lot_id: int | None = None
    arrived_stage: str | None = None
    note: Note | None = None


class FibreBatchIn(In):
    """Fibre ends to be prepared together, from the spool `lot_id`."""

    code: str
    ends: int = Field(ge=1, le=999)
    lot_id: int | None = None
    arrived_stage: str | None = None
    note: Note | None = None


class SitesIn(In):
    """Sites of one exposure, by its number on the piece."""

    exposure_number: int
    sites: tuple[Site, ...]


class ChildIn(In):
    """One piece that a parting made; `rest` gives it every site that no other piece keeps and that was not lost."""

    code: str
    kept: tuple[SitesIn, ...] = ()
    rest: bool = False
    width_mm: float | None = None
    height_mm: float | None = None
    thickness_um: float | None = None
    backside: Literal["oxide", "bare", "unknown"] = "unknown"
    orientation_mark: Annotated[str, StringConstraints(strip_whitespace=True, max_length=60)] | None = None
    container: Annotated[str, StringConstraints(strip_whitespace=True, max_length=60)] | None = None
    slot: Annotated[str, StringConstraints(strip_whitespace=True, max_length=20)] | None = None


class PartingIn(In):
    """A wafer or chip parted into `children`; devices on `lost` sites (with `rest_lost` on any not kept) are lost."""

    piece_id: int
    children: tuple[ChildIn, ...]
    lost: tuple[SitesIn, ...] = ()
    rest_lost: bool = False
    method: Literal["scribe_and_cleave", "dice"] | None = None
    protection: Annotated[str, StringConstraints(strip_whitespace=True, max_length=80)] | None = None
    tool_id: int | None = None
    done_at: datetime | None = None
    note: Note | None = None


class TakingIn(In):
    """Sites of a wafer or chip, or ends of a fibre batch, to take in hand."""

    piece_id: int
    chosen: tuple[SitesIn, ...] = ()
    ends: tuple[int, ...] = ()
    purpose: str = "candidate"
    done_at: datetime | None = None


class MoveIn(In):
    """Where pieces are from now on; `place` says where, or to whom, `until` when a lent piece is due back."""

    piece_ids: tuple[int, ...]
    state: str
    place: Line | None = None
    until: datetime | None = None
    done_at: datetime | None = None
    note: Note | None = None


class EndingIn(In):
    """A piece stopped on purpose."""

    piece_id: int
    reason: Reason
    done_at: datetime | None = None
    note: Note | None = None


class PurposeIn(In):
    """What devices are for, from now on."""

    device_ids: tuple[int, ...]
    purpose: str
    done_at: datetime | None = None
    note: Note | None = None
