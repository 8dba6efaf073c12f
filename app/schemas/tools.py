"""Tools of the lab and what happened to them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import Field

from app.schemas.base import In, Line, Note


class ToolIn(In):
    """A tool to register; `kind` is one of `vocab.TOOL_KINDS`, `properties` those its kind declares."""

    code: str
    kind: str
    name: Line
    place: Line | None = None
    properties: dict[str, Any] = Field(default_factory=dict)
    note: Note | None = None


class ToolChangeIn(In):
    """A tool as it should stand; code and kind stay. `state` is one of `core.properties.TOOL_STATES`."""

    name: Line
    place: Line | None = None
    state: str = "in_use"
    properties: dict[str, Any] = Field(default_factory=dict)
    note: Note | None = None
    version: int | None = None


class ToolEventIn(In):
    """Something that happened to a tool; a calibration says `what`, `value`, `unit` and until when it holds."""

    tool_id: int
    kind: str
    done_at: datetime | None = None
    what: str | None = None
    value: float | None = None
    unit: str | None = None
    valid_until: datetime | None = None
    note: Note | None = None
