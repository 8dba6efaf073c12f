"""Reads the device table into numpy columns: pages that filter and group by any quantity work on these."""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, Boolean, Float, Integer, column, select, table
from sqlalchemy.orm import Session

from app.core.columns import Columns, Packer, flags, instants, numbers, others, words
from app.core.standing import first_pass_columns, state_columns
from app.core.vocab import STAGES
from app.db.base import Instant
from app.db.models.facts import DEVICE_FACTS, DEVICE_Q, PIECE_FACTS, VIEW_NAME

RENAMED = ("lost_at", "lost_found_at", "lost_caused_at", "lost_cause", "last_deed_at")


def view_types() -> dict[str, Any]:
    """Name and type of each column of the view, in its order."""
    own = {each.name: each.type for each in DEVICE_FACTS.columns}
    inherited = {each.name: each.type for each in PIECE_FACTS.columns}
    more = {name: kind for name, kind in inherited.items() if name not in own}
    return {**own, **more, **{f"piece_{name}": inherited[name] for name in RENAMED}}


def packer(kind: Any) -> Packer:
    """How a column of this SQL type is packed."""
    if isinstance(kind, Instant):
        return instants
    if isinstance(kind, Boolean):
        return flags
    if isinstance(kind, (Integer, Float)):
        return numbers
    return others if isinstance(kind, JSON) else words


def device_columns(session: Session, kind: str) -> Columns:
    """Every device of one kind, with `<stage>_state` and `<stage>_first` beside the view's own columns."""
    types = view_types()
    view = table(VIEW_NAME, *(column(name, each) for name, each in types.items()))
    rows = session.execute(select(view).where(view.c.device_kind == kind).order_by(view.c.device_id)).all()
    packed = _packed(types, rows)
    return packed.with_columns({**state_columns(kind, packed), **first_pass_columns(kind, packed)})


def q_columns(session: Session, band: str, medium: str) -> Columns:
    """Q of every device measured in one band and medium."""
    types = {each.name: each.type for each in DEVICE_Q.columns}
    where = (DEVICE_Q.c.band == band, DEVICE_Q.c.medium == medium)
    rows = session.execute(select(DEVICE_Q).where(*where).order_by(DEVICE_Q.c.device_id)).all()
    return _packed(types, rows)


def all_kinds(session: Session) -> dict[str, Columns]:
    """The table of each kind of device."""
    return {kind: device_columns(session, kind) for kind in STAGES}


def _packed(types: dict[str, Any], rows: Any) -> Columns:
    by_column = list(zip(*rows, strict=True)) if rows else [()] * len(types)
    data = {name: packer(kind)(values) for (name, kind), values in zip(types.items(), by_column, strict=True)}
    return Columns(data, len(rows))
