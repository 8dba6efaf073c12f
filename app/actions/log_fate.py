"""Losses: one event a piece or device; a piece's devices go with it."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.actions.rules import NEW, check_new_rows, event_times
from app.core.refusal import Refusal, Where
from app.core.timeline import Deed
from app.core.vocab import CAUSES, LOSS_CAUSES, SHORT_STAGES, STAGES
from app.db.models.events import EventPiece, Loss
from app.db.models.material import Device, Piece
from app.db.session import Writing
from app.schemas.log import LossesIn

CAUSED_AT = {"dropped": "handling", "taper": "handling"}
"""Where a loss is caused unless somebody says otherwise."""


def record_losses(writing: Writing, data: LossesIn) -> list[Loss]:
    """Record losses of pieces or devices, named by their codes; all or none."""
    if not data.rows:
        raise Refusal.of("There is nothing to log: fill in at least one row.")
    lost = _lost(writing.session, data)
    times = event_times(writing, data.done_at)
    deeds = [
        Deed(NEW + row, times["done_at"], "loss", (each.id,), label=f"Loss of {each.code}")
        if isinstance(each, Piece)
        else Deed(NEW + row, times["done_at"], "loss", device=each.id, label=f"Loss of {each.code}")
        for row, each in enumerate(lost)
    ]
    families = {each.id if isinstance(each, Piece) else each.piece_id for each in lost}
    check_new_rows(writing, families, deeds, at="what")
    events = [
        Loss(
            **times,
            operator_id=writing.operator_id,
            tool_id=data.tool_id,
            device_id=each.id if isinstance(each, Device) else None,
            cause=loss.cause,
            found_at=loss.found_at,
            caused_at=loss.caused_at or CAUSED_AT.get(loss.cause),
            note=loss.note or data.note,
        )
        for each, loss in zip(lost, data.rows, strict=True)
    ]
    writing.add(*events)
    writing.add(
        *[
            EventPiece(event_id=event.id, piece_id=each.id)
            for event, each in zip(events, lost, strict=True)
            if isinstance(each, Piece)
        ]
    )
    return events


def _lost(session: Session, data: LossesIn) -> list[Piece | Device]:
    errors: dict[Where, str] = {}
    lost: list[Piece | Device] = []
    first: dict[str, int] = {}
    for row, loss in enumerate(data.rows):
        key = loss.what.strip().casefold()
        found = session.scalar(select(Piece).where(Piece.code_key == key)) or session.scalar(
            select(Device).where(Device.code_key == key)
        )
        if found is None:
            errors[row, "what"] = f"“{loss.what.strip()}” is no piece and no device in hand."
        elif first.setdefault(key, row) != row:
            errors[row, "what"] = f"{found.code} is named in row {first[key] + 1} already."
        else:
            lost.append(found)
            stages = STAGES["microsphere" if _is_fibre(found) else "microtoroid"]
            if loss.found_at is not None and loss.found_at not in stages and loss.found_at != "characterised":
                shown = SHORT_STAGES.get(loss.found_at, loss.found_at)
                errors[row, "found_at"] = f"{found.code} has no stage '{shown}'."
        if loss.cause not in LOSS_CAUSES:
            errors[row, "cause"] = "Say the cause of the loss."
        if loss.caused_at is not None and loss.caused_at not in CAUSES:
            errors[row, "caused_at"] = f"'{loss.caused_at}' is no step that can cause a loss."
    if errors:
        raise Refusal(errors)
    return lost


def _is_fibre(found: Piece | Device) -> bool:
    return found.kind in ("fibre_batch", "microsphere")
