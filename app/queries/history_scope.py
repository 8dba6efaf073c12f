"""Which audit entries touched a record: by its code or name, or by its table and number."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Select, String, and_, cast, false, or_, select
from sqlalchemy.orm import Session

from app.db.models.audit import AuditChange
from app.db.models.events import Event, EventPiece
from app.db.models.material import Device, Exposure, Lot, Mask, MaskArray, Piece
from app.db.models.people import Operator, Tool, ToolEvent
from app.db.models.recipes import Recipe, RecipeVersion, Specification, SpecificationVersion
from app.db.models.seen import Finding, Resonance, ResonanceFit
from app.db.models.steps import ROW_CLASSES
from app.queries.codes import piece_by_code, tidy
from app.queries.history_names import EVENT_TABLES, PIECE_TABLES

Condition = ColumnElement[bool]
_PARENTS: tuple[tuple[Any, Any, str], ...] = (
    (RecipeVersion, RecipeVersion.recipe_id, "recipe"),
    (SpecificationVersion, SpecificationVersion.specification_id, "specification"),
    (MaskArray, MaskArray.mask_id, "mask"),
    (ToolEvent, ToolEvent.tool_id, "tool"),
)
"""Records that are part of another: (model, its link, the other's table)."""


def of_code(session: Session, typed: str) -> Condition | None:
    """Changes that touched what has this code, name or initials; None where nothing has."""
    key = tidy(typed).casefold()
    if piece := piece_by_code(session, key):
        return _of_piece(piece.id)
    device = session.scalar(select(Device.id).where(Device.code_key == key))
    if device is not None:
        return _of_device(device)
    name = " ".join(typed.split()).casefold()
    for model, column, table in (
        (Lot, Lot.code_key, "lot"),
        (Mask, Mask.code_key, "mask"),
        (Tool, Tool.code_key, "tool"),
        (Operator, Operator.initials_key, "operator"),
        (Recipe, Recipe.name_key, "recipe"),
        (Specification, Specification.name_key, "specification"),
    ):
        number = session.scalar(select(model.id).where(column.in_({key, name})))
        if number is not None:
            return _of_row(table, number)
    return None


def of_record(table: str, row_id: str) -> Condition:
    """Changes of one record by table and number, with its parts; `event` and `piece` stand for all their kinds."""
    if not row_id:
        tables = {"event": EVENT_TABLES, "piece": PIECE_TABLES}.get(table, {table})
        return AuditChange.table_name.in_(tables)
    number = int(row_id) if row_id.isdecimal() and len(row_id) < 10 else None
    if number is None:
        return and_(AuditChange.table_name == table, AuditChange.row_id == row_id)
    if table == "event" or table in EVENT_TABLES:
        return _of_events(select(Event.id).where(Event.id == number))
    if table == "piece" or table in PIECE_TABLES:
        return _in(PIECE_TABLES, select(Piece.id).where(Piece.id == number))
    if table == "device":
        taken = select(Device.taking_id).where(Device.id == number)
        return or_(_row(table, number), _in({"taking"}, taken))
    return _of_row(table, number)


def _of_row(table: str, number: int) -> Condition:
    parts = [
        _in({model.__tablename__}, select(model.id).where(link == number))
        for model, link, parent in _PARENTS
        if parent == table
    ]
    return or_(_row(table, number), *parts)


def _of_piece(piece_id: int) -> Condition:
    events = select(EventPiece.event_id).where(EventPiece.piece_id == piece_id)
    return or_(_in(PIECE_TABLES, select(Piece.id).where(Piece.id == piece_id)), _of_events(events))


def _of_device(device_id: int) -> Condition:
    taken = select(Device.taking_id.label("id")).where(Device.id == device_id)
    done = select(Event.id).where(Event.device_id == device_id)
    modes = select(Resonance.id).where(Resonance.device_id == device_id)
    return or_(
        _row("device", device_id),
        _of_events(taken.union(done)),
        _in({"finding"}, select(Finding.id).where(Finding.device_id == device_id)),
        _in({"resonance"}, modes),
        _in({"resonance_fit"}, select(ResonanceFit.id).where(ResonanceFit.resonance_id.in_(modes))),
    )


def _of_events(ids: Any) -> Condition:
    """Changes of events, and of the rows that are part of them."""
    rows: list[Any] = list(ROW_CLASSES.values())
    parts: list[tuple[Any, Any]] = [
        (EventPiece, EventPiece.event_id),
        (Finding, Finding.inspection_id),
        (Exposure, Exposure.lithography_id),
    ]
    parts += [(each, each.event_id) for each in rows]
    return or_(
        _in(EVENT_TABLES, ids),
        *(_in({model.__tablename__}, select(model.id).where(link.in_(ids))) for model, link in parts),
    )


def _row(table: str, number: int) -> Condition:
    return and_(AuditChange.table_name == table, AuditChange.row_id == str(number))


def _in(tables: set[str] | frozenset[str], ids: Select[Any] | Any) -> Condition:
    if not tables:
        return false()
    numbers = ids.subquery()
    texts = select(cast(next(iter(numbers.c)), String(60)))
    return and_(AuditChange.table_name.in_(tables), AuditChange.row_id.in_(texts))
