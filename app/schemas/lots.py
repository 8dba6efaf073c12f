"""Lots of bought or mixed material."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import Field

from app.schemas.base import In, Line, Note


class LotIn(In):
    """A lot to register; `kind` is one of `vocab.LOT_KINDS`, `properties` those its kind declares."""

    code: str
    kind: str
    name: Line | None = None
    supplier_lot: Line | None = None
    opened_at: datetime | None = None
    expires_at: datetime | None = None
    properties: dict[str, Any] = Field(default_factory=dict)
    note: Note | None = None


class LotChangeIn(In):
    """A lot as it should stand; code and kind stay."""

    name: Line | None = None
    supplier_lot: Line | None = None
    opened_at: datetime | None = None
    expires_at: datetime | None = None
    properties: dict[str, Any] = Field(default_factory=dict)
    used_up: bool = False
    note: Note | None = None
    version: int | None = None
