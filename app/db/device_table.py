"""Keeps the device table: one `project(…)` serves saving and rebuilding alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Table, delete, func, insert, select
from sqlalchemy.orm import Session

from app.db.base import Base
from app.db.device_facts import device_rows
from app.db.models.events import Event, EventPiece
from app.db.models.facts import DEVICE_FACTS, DEVICE_Q, PIECE_FACTS
from app.db.models.material import Device, Exposure, Piece
from app.db.models.seen import Defect, Finding, Inspection, Resonance, ResonanceFit
from app.db.models.steps import ROW_CLASSES, ReflowSession, ReflowShot
from app.db.piece_facts import piece_rows

CHUNK = 400
"""Ids in one IN list: below the limits of both databases."""


def project(session: Session, pieces: Iterable[int], devices: Iterable[int]) -> None:
    """Work out anew and write the facts of these pieces (with all their descendants) and these devices."""
    for some in chunks(sorted(_with_descendants(session, set(pieces)))):
        _replace(session, PIECE_FACTS, "piece_id", some, piece_rows(session, some))
    for some in chunks(sorted(set(devices))):
        facts, q_rows = device_rows(session, some)
        _replace(session, DEVICE_FACTS, "device_id", some, facts)
        _replace(session, DEVICE_Q, "device_id", some, q_rows)


def rebuild(session: Session) -> None:
    """Work out the whole table anew from the records."""
    project(session, session.scalars(select(Piece.id)), session.scalars(select(Device.id)))


Earlier = Sequence[tuple[Base, Mapping[str, Any]]]
"""Changed rows with the values they had."""


def refresh(session: Session, touched: Sequence[Base], earlier: Earlier = ()) -> None:
    """Project what these changed rows bear upon, and what they bore upon before."""
    pieces, devices = affected(session, touched, earlier)
    if pieces or devices:
        project(session, pieces, devices)


@dataclass
class _Bearing:
    """Ids that changed rows bear upon: `pieces` and `devices` at once, the others to be looked up."""

    pieces: set[int] = field(default_factory=set)
    devices: set[int] = field(default_factory=set)
    events: set[int] = field(default_factory=set)
    inspections: set[int] = field(default_factory=set)
    sessions: set[int] = field(default_factory=set)
    findings: set[int] = field(default_factory=set)
    resonances: set[int] = field(default_factory=set)


# Which column of a changed row names what it bears upon.
_BEARS: tuple[tuple[type[Base] | tuple[type[Base], ...], str, str], ...] = (
    (Piece, "pieces", "id"),
    (Exposure, "pieces", "piece_id"),
    (EventPiece, "pieces", "piece_id"),
    (Device, "devices", "id"),
    (Finding, "devices", "device_id"),
    (Resonance, "devices", "device_id"),
    (Event, "devices", "device_id"),
    (Event, "events", "id"),
    (Inspection, "inspections", "id"),
    (ReflowSession, "sessions", "id"),
    (Defect, "findings", "finding_id"),
    (ResonanceFit, "resonances", "resonance_id"),
    (tuple(ROW_CLASSES.values()), "events", "event_id"),
)


def affected(session: Session, touched: Sequence[Base], earlier: Earlier = ()) -> tuple[set[int], set[int]]:
    """Pieces and devices whose facts may differ after these rows changed."""
    bearing = _Bearing()
    for row in touched:
        for kinds, into, column in _BEARS:
            if isinstance(row, kinds) and (value := getattr(row, column)) is not None:
                getattr(bearing, into).add(value)
    for row, values in earlier:
        for kinds, into, column in _BEARS:
            if isinstance(row, kinds) and values.get(column) is not None:
                getattr(bearing, into).add(values[column])
    look_ups = (
        (bearing.pieces, bearing.events, EventPiece.piece_id, EventPiece.event_id),
        (bearing.devices, bearing.inspections, Finding.device_id, Finding.inspection_id),
        (bearing.devices, bearing.findings, Finding.device_id, Finding.id),
        (bearing.devices, bearing.sessions, ReflowShot.device_id, ReflowShot.session_id),
        (bearing.devices, bearing.resonances, Resonance.device_id, Resonance.id),
    )
    for found, ids, wanted, by in look_ups:
        for some in chunks(sorted(ids)):
            found.update(session.scalars(select(wanted).where(by.in_(some))))
    return bearing.pieces, bearing.devices


def difference(session: Session) -> list[str]:
    """Where the kept table and a rebuilt one differ, in words; for `verify`. The caller rolls back."""
    tables = ((PIECE_FACTS, "piece_code"), (DEVICE_FACTS, "device_code"), (DEVICE_Q, "device_id"))
    before = {table.name: _rows(session, table) for table, _ in tables}
    rebuild(session)
    found: list[str] = []
    for table, name in tables:
        after = _rows(session, table)
        for key in sorted(before[table.name].keys() | after.keys()):
            old, new = before[table.name].get(key), after.get(key)
            if old != new:
                columns = [c for c in (new or old or {}) if (old or {}).get(c) != (new or {}).get(c)]
                code = (new or old or {}).get(name)
                found.append(f"{table.name} of {code}: {', '.join(columns[:6])} differ from the records")
    return found


def counts(session: Session) -> tuple[int, int]:
    """(pieces, devices) in the table."""
    pieces = session.scalar(select(func.count()).select_from(PIECE_FACTS)) or 0
    return pieces, session.scalar(select(func.count()).select_from(DEVICE_FACTS)) or 0


def chunks(ids: Sequence[int]) -> Iterator[Sequence[int]]:
    """Consecutive parts of at most CHUNK ids."""
    for start in range(0, len(ids), CHUNK):
        yield ids[start : start + CHUNK]


def _with_descendants(session: Session, pieces: set[int]) -> set[int]:
    found, fresh = set(pieces), set(pieces)
    while fresh:
        children: set[int] = set()
        for some in chunks(sorted(fresh)):
            children.update(session.scalars(select(Piece.id).where(Piece.parent_id.in_(some))))
        fresh = children - found
        found |= fresh
    return found


def _replace(session: Session, table: Table, key: str, ids: Sequence[int], rows: list[dict[str, Any]]) -> None:
    session.execute(delete(table).where(table.c[key].in_(ids)))
    if rows:
        session.execute(insert(table), rows)


def _rows(session: Session, table: Table) -> dict[tuple[Any, ...], dict[str, Any]]:
    keys = [column.name for column in table.primary_key]
    rows = session.execute(select(table)).mappings()
    return {tuple(row[key] for key in keys): dict(row) for row in rows}
