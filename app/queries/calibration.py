"""What one dialled unit of a laser gives, by the calibration that was valid at a time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db.models.people import ToolEvent

W_PER_DIAL = "w_per_dial"


@dataclass(frozen=True)
class Calibration:
    """`value` watts for one `unit` dialled; `overdue` where it had run out at the time asked for."""

    value: float
    unit: str
    done_at: datetime
    valid_until: datetime | None
    overdue: bool


def calibration_of(session: Session, tool_id: int | None, unit: str, at: datetime) -> Calibration | None:
    """The latest calibration of the laser's dial in this unit made before `at`; None where there was none."""
    if tool_id is None:
        return None
    row = session.scalar(
        select(ToolEvent)
        .where(
            ToolEvent.tool_id == tool_id,
            ToolEvent.kind == "calibration",
            ToolEvent.what == W_PER_DIAL,
            ToolEvent.unit.in_((unit, f"W/{unit}")),
            ToolEvent.value.is_not(None),
            ToolEvent.done_at <= at,
            ToolEvent.voided_at.is_(None),
        )
        .order_by(ToolEvent.done_at.desc(), ToolEvent.id.desc())
        .limit(1)
    )
    if row is None or row.value is None:
        return None
    overdue = row.valid_until is not None and row.valid_until < at
    return Calibration(row.value, unit, row.done_at, row.valid_until, overdue)


def watts_of(
    session: Session, dialled: float | None, unit: str | None, tool_id: int | None, at: datetime
) -> float | None:
    """Watts of what was dialled: W as they stand, else by the calibration valid then; None where there was none."""
    if dialled is None or unit is None:
        return None
    if unit == "W":
        return dialled
    calibration = calibration_of(session, tool_id, unit, at)
    return None if calibration is None or calibration.overdue else dialled * calibration.value
