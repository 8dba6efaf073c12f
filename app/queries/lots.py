"""Lots of bought or mixed material, and which of them run out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, false, or_, select
from sqlalchemy.orm import Session

from app.core.planned import setting_text
from app.core.properties import LOT_PROPERTIES
from app.core.step import StepKind
from app.core.step_catalogue import PIECE_STEPS
from app.core.vocab import LOT_KINDS
from app.db.models.events import EventPiece
from app.db.models.material import Lot, Piece
from app.db.models.steps import STEP_CLASSES


@dataclass(frozen=True)
class LotFacts:
    """One lot; `expired` where its day has passed while it is still in use."""

    id: int
    code: str
    kind: str
    kind_word: str
    name: str
    supplier_lot: str
    opened_at: datetime | None
    expires_at: datetime | None
    properties: Mapping[str, Any]
    property_lines: tuple[tuple[str, str], ...]
    used_up: bool
    expired: bool
    note: str
    version: int
    pieces: tuple[tuple[str, str], ...] = ()
    """(kind, code) of pieces that came from it, or that a step was done on with it."""


def lot_list(session: Session, now: datetime) -> list[LotFacts]:
    """Every lot by kind, the latest opened first; used-up ones last."""
    kinds = list(LOT_KINDS)
    rows = sorted(
        session.scalars(select(Lot)),
        key=lambda lot: (
            lot.used_up,
            kinds.index(lot.kind) if lot.kind in kinds else 99,
            -(lot.opened_at.timestamp() if lot.opened_at else 0.0),
            lot.code_key,
        ),
    )
    return [_facts(lot, now) for lot in rows]


def lot_facts(session: Session, code: str, now: datetime) -> LotFacts | None:
    """One lot by its code, whatever its case; None where there is none."""
    lot = session.scalar(select(Lot).where(Lot.code_key == code.casefold()))
    if lot is None:
        return None
    named = [Piece.lot_id == lot.id, *(Piece.id.in_(_used_in(step, lot)) for step in PIECE_STEPS.values())]
    pieces = session.execute(select(Piece.kind, Piece.code).where(or_(*named)).order_by(Piece.code_key))
    return _facts(lot, now, tuple((kind, piece) for kind, piece in pieces))


def _used_in(step: StepKind, lot: Lot) -> Select[int]:
    """Ids of pieces on which a step of this kind was done with the lot: a bottle of resist, a bath."""
    made = STEP_CLASSES[step.name]
    used = [getattr(made, each.name) == lot.id for each in step.settings if each.kind == "lot"]
    done = select(EventPiece.piece_id).join(made, made.id == EventPiece.event_id)
    return done.where(made.voided_at.is_(None), or_(false(), *used))


def _facts(lot: Lot, now: datetime, pieces: tuple[tuple[str, str], ...] = ()) -> LotFacts:
    lines = [
        (setting.words, words)
        for setting in LOT_PROPERTIES.get(lot.kind, ())
        if (words := setting_text(setting, lot.properties.get(setting.name)))
    ]
    return LotFacts(
        id=lot.id,
        code=lot.code,
        kind=lot.kind,
        kind_word=LOT_KINDS.get(lot.kind, lot.kind),
        name=lot.name or "",
        supplier_lot=lot.supplier_lot or "",
        opened_at=lot.opened_at,
        expires_at=lot.expires_at,
        properties=lot.properties,
        property_lines=tuple(lines),
        used_up=lot.used_up,
        expired=lot.expires_at is not None and lot.expires_at < now and not lot.used_up,
        note=lot.note or "",
        version=lot.version,
        pieces=pieces,
    )
