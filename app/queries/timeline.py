"""Loads a family of pieces and its deeds for the rule engine."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.step_catalogue import STEPS
from app.core.timeline import Deed, Family
from app.db.models.events import Event, EventPiece, Whereabouts
from app.db.models.material import Device, Piece
from app.db.models.steps import ReflowShot

LABELS: dict[str, str] = {
    **{name: step.label for name, step in STEPS.items()},
    "reflow": "Reflow shot",
    "taking": "Taking in hand",
    "parting": "Parting",
    "whereabouts": "Whereabouts",
    "ending": "Ending",
    "loss": "Loss",
    "inspection": "Inspection",
    "undercut_measurement": "Undercut measurement",
    "oxide_measurement": "Oxide measurement",
    "scan": "Scan",
    "ring_down": "Ring-down",
    "purpose_change": "Change of purpose",
    "reflow_session": "Reflow session",
}
"""What a person reads as the name of an event of each kind."""


def label_of(kind: str) -> str:
    """The name of an event kind in words."""
    return LABELS.get(kind, kind.replace("_", " ").capitalize())


def family_of(
    session: Session, piece_ids: Iterable[int], *, only_devices: Iterable[int] | None = None
) -> tuple[Family, list[Deed]]:
    """The whole families (eldest ancestor and all descendants) of these pieces, with every valid deed on them.

    With `only_devices`, of the devices only those: enough where nothing but deeds on them is to be judged.
    """
    pieces = _family_pieces(session, set(piece_ids))
    ids = [piece.id for piece in pieces]
    wanted = select(Device.id, Device.piece_id, Device.code).where(Device.piece_id.in_(ids))
    if only_devices is not None:
        wanted = wanted.where(Device.id.in_(set(only_devices)))
    devices = session.execute(wanted).all()
    family = Family(
        codes={piece.id: piece.code for piece in pieces},
        parents={piece.id: piece.parent_id for piece in pieces},
        partings={piece.id: piece.parting_id for piece in pieces},
        devices={row.id: row.piece_id for row in devices},
        device_codes={row.id: row.code for row in devices},
    )
    some = None if only_devices is None else [row.id for row in devices]
    return family, [*_piece_deeds(session, ids), *_device_deeds(session, ids, some)]


def _family_pieces(session: Session, wanted: set[int]) -> Sequence[Any]:
    """(id, code, parent_id, parting_id) of each piece: plain columns, since this is asked at every deed."""
    piece: Any = Piece.__table__
    columns = select(piece.c.id, piece.c.code, piece.c.parent_id, piece.c.parting_id)
    known: dict[int, Any] = {}
    fresh = wanted
    while fresh:
        rows = session.execute(columns.where(piece.c.id.in_(fresh) | piece.c.parent_id.in_(fresh))).all()
        new = {row.id: row for row in rows if row.id not in known}
        known.update(new)
        parents = {row.parent_id for row in new.values() if row.parent_id is not None and row.parent_id not in known}
        fresh = (new.keys() - fresh) | parents
    return list(known.values())


def _piece_deeds(session: Session, piece_ids: Sequence[int]) -> list[Deed]:
    placed: Any = Whereabouts.__table__
    rows = session.execute(
        select(Event.id, Event.done_at, Event.kind, EventPiece.piece_id, placed.c.state)
        .join(EventPiece, EventPiece.event_id == Event.id)
        .outerjoin(placed, placed.c.id == Event.id)
        .where(EventPiece.piece_id.in_(piece_ids), Event.voided_at.is_(None))
    ).all()
    pieces: dict[int, list[int]] = defaultdict(list)
    first: dict[int, Any] = {}
    for row in rows:
        pieces[row.id].append(row.piece_id)
        first.setdefault(row.id, row)
    return [
        Deed(row.id, row.done_at, row.kind, tuple(pieces[row.id]), detail=row.state or "", label=label_of(row.kind))
        for row in first.values()
    ]


def _device_deeds(session: Session, piece_ids: Sequence[int], devices: Sequence[int] | None) -> list[Deed]:
    shots: Any = ReflowShot.__table__
    statement = (
        select(Event.id, Event.done_at, Event.kind, Event.device_id, shots.c.outcome)
        .join(Device, Device.id == Event.device_id)
        .outerjoin(shots, shots.c.id == Event.id)
        .where(Device.piece_id.in_(piece_ids), Event.voided_at.is_(None))
    )
    if devices is not None:
        statement = statement.where(Event.device_id.in_(devices))
    rows = session.execute(statement).all()
    return [
        Deed(row.id, row.done_at, row.kind, device=row.device_id, detail=row.outcome or "", label=label_of(row.kind))
        for row in rows
    ]
