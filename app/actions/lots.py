"""Lots of bought or mixed material: registering and changing them."""

from __future__ import annotations

from datetime import datetime

from app.actions.rules import check_code, check_version
from app.core.properties import LOT_PROPERTIES, kept_properties
from app.core.refusal import Refusal
from app.core.vocab import LOT_KINDS
from app.db.models.material import Lot
from app.db.session import Writing
from app.schemas.lots import LotChangeIn, LotIn


def register_lot(writing: Writing, data: LotIn) -> Lot:
    """Add a lot under a code of its own."""
    code = check_code(writing.session, Lot, data.code)
    if data.kind not in LOT_KINDS:
        raise Refusal.of("Say what kind of material it is.", at="kind")
    _check_days(data.opened_at, data.expires_at)
    lot = Lot(
        code=code,
        code_key=code.casefold(),
        kind=data.kind,
        name=data.name or None,
        supplier_lot=data.supplier_lot or None,
        opened_at=data.opened_at,
        expires_at=data.expires_at,
        properties=kept_properties(data.properties, LOT_PROPERTIES.get(data.kind, ())),
        note=data.note or None,
    )
    writing.add(lot)
    return lot


def change_lot(writing: Writing, lot_id: int, data: LotChangeIn) -> Lot:
    """Change what is known of a lot, or say it is used up; its code and kind stay, as records name them."""
    lot = writing.session.get(Lot, lot_id)
    if lot is None:
        raise Refusal.of("There is no such lot.")
    check_version(lot, data.version)
    _check_days(data.opened_at, data.expires_at)
    lot.name, lot.supplier_lot = data.name or None, data.supplier_lot or None
    lot.opened_at, lot.expires_at = data.opened_at, data.expires_at
    kept = kept_properties(data.properties, LOT_PROPERTIES.get(lot.kind, ()))
    if kept != lot.properties:
        lot.properties = kept
    lot.used_up, lot.note = data.used_up, data.note or None
    writing.session.flush()
    return lot


def _check_days(opened_at: datetime | None, expires_at: datetime | None) -> None:
    if opened_at is not None and expires_at is not None and expires_at <= opened_at:
        raise Refusal.of("It cannot expire before it was opened.", at="expires_at")
