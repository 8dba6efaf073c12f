"""Discs and pillars of a piece as they were measured."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db.models.material import Device
from app.db.models.people import Operator
from app.db.models.seen import UndercutMeasurement


@dataclass(frozen=True)
class MeasuredRow:
    """One measurement; `ratio` is pillar top over disc where both were measured."""

    id: int
    device: str
    done_at: datetime
    who: str
    disc_um: float | None
    pillar_top_x_um: float | None
    pillar_top_y_um: float | None
    pillar_offset_um: float | None
    rim_to_pillar_um: float | None
    ratio: float | None
    undercut_um: float | None


def measured_on(session: Session, piece_id: int, limit: int = 100) -> list[MeasuredRow]:
    """The latest valid measurements of a piece's devices, newest first."""
    statement = (
        select(UndercutMeasurement, Device.code, Device.nominal_um, Operator.initials)
        .join(Device, Device.id == UndercutMeasurement.device_id)
        .outerjoin(Operator, Operator.id == UndercutMeasurement.operator_id)
        .where(Device.piece_id == piece_id, UndercutMeasurement.voided_at.is_(None))
        .order_by(UndercutMeasurement.done_at.desc(), UndercutMeasurement.id.desc())
        .limit(limit)
    )
    return [_row(seen, code, nominal, who or "") for seen, code, nominal, who in session.execute(statement)]


def _row(seen: UndercutMeasurement, code: str, nominal_um: float | None, who: str) -> MeasuredRow:
    pillars = [each for each in (seen.pillar_top_x_um, seen.pillar_top_y_um) if each is not None]
    disc = seen.disc_um or nominal_um
    pillar = sum(pillars) / len(pillars) if pillars else None
    known = pillar is not None and disc is not None and seen.rim_to_pillar_um is None
    return MeasuredRow(
        id=seen.id,
        device=code,
        done_at=seen.done_at,
        who=who,
        disc_um=seen.disc_um,
        pillar_top_x_um=seen.pillar_top_x_um,
        pillar_top_y_um=seen.pillar_top_y_um,
        pillar_offset_um=seen.pillar_offset_um,
        rim_to_pillar_um=seen.rim_to_pillar_um,
        ratio=pillar / disc if known and pillar is not None and disc else None,
        undercut_um=(disc - pillar) / 2 if known and pillar is not None and disc else None,
    )
