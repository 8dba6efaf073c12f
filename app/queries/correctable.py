"""What of a record can be corrected beside its settings: tool, recipe, pieces, rows, points, findings, due date."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.step import Setting
from app.core.step_catalogue import STEPS
from app.db.models.events import Event, EventPiece, Whereabouts
from app.db.models.material import Device, Lot, Piece
from app.db.models.people import Tool
from app.db.models.recipes import Recipe, RecipeVersion
from app.db.models.seen import Finding, Inspection, OxideMeasurement
from app.db.models.steps import ROW_CLASSES
from app.queries.log_choices import Choices, lot_choices, tool_choices, version_choices
from app.queries.records import Record, fields_of, record_of

FOUND = ("verdict", "outer_um", "minor_um", "roundness_um", "note")
BOUND = ("parting", "taking", "lithography", "inspection", "reflow_session")
"""Kinds whose pieces cannot be exchanged: what they made or say is bound to them."""
MOST_FOUND = 120
MOVED = ("reflow", "undercut_measurement", "scan", "ring_down", "loss", "purpose_change")


@dataclass(frozen=True)
class Correctable:
    """The values that stand; `rows` are repeated settings or, of an inspection, what was said of named devices."""

    tool_id: int | None
    tools: Choices
    recipe_version_id: int | None
    versions: Choices
    """Empty where no recipe is followed."""
    lots: Mapping[str, Choices]
    """By kind of lot, with the one that stands though it is used up by now."""
    pieces: tuple[str, ...]
    """Empty where they cannot be exchanged."""
    rows: tuple[Mapping[str, Any], ...] = ()
    row_settings: tuple[Setting, ...] = ()
    row_label: str = ""
    points_um: tuple[float, ...] = ()
    until: datetime | None = None
    has_until: bool = False
    is_inspection: bool = False
    unshown: int = 0
    """Devices an inspection speaks of that stand in no row: passed among the rest."""


def correctable(session: Session, event_id: int, now: datetime) -> Correctable:
    """What stands and what may be chosen instead; the record is there."""
    event = session.get_one(Event, event_id)
    step = STEPS.get(event.kind)
    rows, settings, label = _rows(session, event)
    found, unshown = _found(session, event)
    return Correctable(
        tool_id=event.tool_id,
        tools=_with_tool(session, tool_choices(session, step.tool_kinds if step else ()), event.tool_id),
        recipe_version_id=event.recipe_version_id,
        versions=_with_version(session, version_choices(session, event.kind), event.recipe_version_id) if step else {},
        lots=_lots(session, event, now),
        pieces=() if event.device_id is not None or event.kind in BOUND else _codes(session, event),
        rows=found or rows,
        row_settings=settings,
        row_label=label,
        points_um=tuple(event.points_um) if isinstance(event, OxideMeasurement) else (),
        until=event.until if isinstance(event, Whereabouts) else None,
        has_until=isinstance(event, Whereabouts),
        is_inspection=isinstance(event, Inspection),
        unshown=unshown,
    )


def _codes(session: Session, event: Event) -> tuple[str, ...]:
    statement = select(Piece.code).join(EventPiece, EventPiece.piece_id == Piece.id)
    return tuple(session.scalars(statement.where(EventPiece.event_id == event.id).order_by(EventPiece.id)))


def _rows(session: Session, event: Event) -> tuple[tuple[Mapping[str, Any], ...], tuple[Setting, ...], str]:
    step = STEPS.get(event.kind)
    if step is None or step.rows is None:
        return (), (), ""
    row_class: Any = ROW_CLASSES[event.kind]
    stood = session.scalars(select(row_class).where(row_class.event_id == event.id).order_by(row_class.sequence)).all()
    rows = tuple({each.name: getattr(row, each.name) for each in step.rows.settings} for row in stood)
    return rows, step.rows.settings, step.rows.label


def _found(session: Session, event: Event) -> tuple[tuple[Mapping[str, Any], ...], int]:
    if not isinstance(event, Inspection):
        return (), 0
    statement = select(Finding, Device.code).join(Device, Device.id == Finding.device_id)
    said = statement.where(Finding.inspection_id == event.id, Finding.named.is_(True)).order_by(Device.code)
    rows = tuple(
        {"device": code, **{name: getattr(finding, name) for name in FOUND}}
        for finding, code in session.execute(said.limit(MOST_FOUND))
    )
    count = session.scalar(select(func.count()).select_from(Finding).where(Finding.inspection_id == event.id)) or 0
    return rows, count - len(rows)


def _with_tool(session: Session, choices: Choices, tool_id: int | None) -> Choices:
    tool = session.get(Tool, tool_id) if tool_id is not None and str(tool_id) not in choices else None
    return {**choices, str(tool.id): f"{tool.code}, {tool.name}"} if tool else choices


def _with_version(session: Session, choices: Choices, version_id: int | None) -> Choices:
    version = session.get(RecipeVersion, version_id) if version_id and str(version_id) not in choices else None
    if version is None:
        return choices
    name = session.get_one(Recipe, version.recipe_id).name
    return {**choices, str(version.id): f"{name}, version {version.number}"}


def _lots(session: Session, event: Event, now: datetime) -> dict[str, Choices]:
    found = lot_choices(session, now)
    for setting in fields_of(event.kind):
        stood = getattr(event, setting.name) if setting.kind == "lot" else None
        choices = found.setdefault(setting.lot_kind, {}) if setting.kind == "lot" else {}
        lot = session.get(Lot, stood) if stood is not None and str(stood) not in choices else None
        if lot is not None:
            choices[str(lot.id)] = f"{lot.code} (used up)"
    return found


def records_of(session: Session, event_ids: Sequence[int]) -> tuple[Record, ...]:
    """These records in words; unknown numbers are left out."""
    found = (record_of(session, event_id) for event_id in dict.fromkeys(event_ids) if 0 < event_id < 2**31)
    return tuple(each for each in found if each is not None)


def movable(session: Session, code: str) -> tuple[str, tuple[Record, ...]] | None:
    """A device's code and what is logged for it that may belong to another, in order; None for an unknown device."""
    device = session.scalar(select(Device).where(Device.code_key == code.strip().casefold()))
    if device is None:
        return None
    named = select(Finding.inspection_id).where(Finding.device_id == device.id, Finding.named.is_(True))
    own = (Event.device_id == device.id) & Event.kind.in_(MOVED)
    statement = select(Event.id).where(own | Event.id.in_(named), Event.voided_at.is_(None))
    return device.code, records_of(session, session.scalars(statement.order_by(Event.done_at, Event.id)).all())
