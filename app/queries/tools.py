"""Tools, what happened to them, and which calibration is due."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.figures import NO_BREAK
from app.core.planned import setting_text
from app.core.properties import CALIBRATED, TOOL_PROPERTIES, TOOL_STATES
from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.vocab import TOOL_EVENTS, TOOL_KINDS
from app.db.models.people import Operator, Tool, ToolEvent


@dataclass(frozen=True)
class ToolRow:
    """One tool of the list; `valid_until` is when its first valid calibration runs out, `overdue` whether it has."""

    id: int
    code: str
    kind_word: str
    name: str
    place: str
    state: str
    state_word: str
    calibrated_at: datetime | None
    valid_until: datetime | None
    overdue: bool


@dataclass(frozen=True)
class ToolEventRow:
    """One thing that happened to a tool."""

    id: int
    kind: str
    kind_word: str
    done_at: datetime
    who: str
    stated: str
    """A calibration's value in words."""
    valid_until: datetime | None
    note: str
    voided: str
    """Why it was taken back; '' where it holds."""


@dataclass(frozen=True)
class ToolFacts:
    """One tool whole; `holds` are the calibrations valid or last valid, one for each thing calibrated."""

    id: int
    code: str
    kind: str
    kind_word: str
    name: str
    place: str
    state: str
    properties: Mapping[str, Any]
    property_lines: tuple[tuple[str, str], ...]
    note: str
    version: int
    events: tuple[ToolEventRow, ...]
    holds: tuple[ToolEventRow, ...]


def tool_list(session: Session, now: datetime) -> list[ToolRow]:
    """Every tool by kind and code; those retired last."""
    latest: dict[int, dict[str, ToolEvent]] = {}
    statement = select(ToolEvent).where(ToolEvent.kind == "calibration", ToolEvent.voided_at.is_(None))
    for event in session.scalars(statement.order_by(ToolEvent.done_at, ToolEvent.id)):
        latest.setdefault(event.tool_id, {})[event.what or ""] = event
    kinds = list(TOOL_KINDS)
    tools = sorted(
        session.scalars(select(Tool)),
        key=lambda tool: (tool.state == "retired", kinds.index(tool.kind) if tool.kind in kinds else 99, tool.code_key),
    )
    return [_row(tool, list(latest.get(tool.id, {}).values()), now) for tool in tools]


def tool_facts(session: Session, code: str) -> ToolFacts | None:
    """One tool by its code, whatever its case; None where there is none."""
    tool = session.scalar(select(Tool).where(Tool.code_key == code.casefold()))
    if tool is None:
        return None
    people = dict(session.execute(select(Operator.id, Operator.initials)).all())
    statement = select(ToolEvent).where(ToolEvent.tool_id == tool.id)
    rows = session.scalars(statement.order_by(ToolEvent.done_at.desc(), ToolEvent.id.desc())).all()
    events = tuple(_event_row(event, people) for event in rows)
    last: dict[str, int] = {}
    for event in rows:
        if event.kind == "calibration" and event.voided_at is None:
            last.setdefault(event.what or "", event.id)
    lines = [
        (setting.words, words)
        for setting in TOOL_PROPERTIES.get(tool.kind, ())
        if (words := setting_text(setting, tool.properties.get(setting.name)))
    ]
    return ToolFacts(
        id=tool.id,
        code=tool.code,
        kind=tool.kind,
        kind_word=TOOL_KINDS.get(tool.kind, tool.kind),
        name=tool.name,
        place=tool.place or "",
        state=tool.state,
        properties=tool.properties,
        property_lines=tuple(lines),
        note=tool.note or "",
        version=tool.version,
        events=events,
        holds=tuple(event for event in events if event.id in last.values()),
    )


def _row(tool: Tool, calibrations: list[ToolEvent], now: datetime) -> ToolRow:
    ends = [event.valid_until for event in calibrations if event.valid_until is not None]
    ends_first = min(ends, default=None)
    return ToolRow(
        id=tool.id,
        code=tool.code,
        kind_word=TOOL_KINDS.get(tool.kind, tool.kind),
        name=tool.name,
        place=tool.place or "",
        state=tool.state,
        state_word=TOOL_STATES.get(tool.state, tool.state),
        calibrated_at=max((event.done_at for event in calibrations), default=None),
        valid_until=ends_first,
        overdue=ends_first is not None and ends_first < now and tool.state != "retired",
    )


def _event_row(event: ToolEvent, people: Mapping[int, str]) -> ToolEventRow:
    return ToolEventRow(
        id=event.id,
        kind=event.kind,
        kind_word=TOOL_EVENTS.get(event.kind, event.kind),
        done_at=event.done_at,
        who=people.get(event.operator_id or 0, ""),
        stated=_stated(event),
        valid_until=event.valid_until,
        note=event.note or "",
        voided=(event.void_reason or "taken back") if event.voided_at else "",
    )


def _stated(event: ToolEvent) -> str:
    if event.value is None:
        return ""
    words = CALIBRATED.get(event.what or "", event.what or "Value")
    declared = QUANTITIES.get(event.what or "")
    if declared is not None and (event.unit or "") == declared.unit:
        return f"{words}: {value_text(event.value, declared)}"
    return f"{words}: {event.value:.6g}{NO_BREAK}{event.unit or ''}".rstrip()
