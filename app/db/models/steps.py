"""One table per step kind, its columns taken from the declaration in `app/core/steps`."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Boolean, Float, ForeignKey, Integer, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from app.core.step import Setting, StepKind
from app.core.step_catalogue import STEPS
from app.db.base import Base
from app.db.models.events import Event


def setting_column(setting: Setting) -> Any:
    """The column that keeps one setting; always nullable, since only the impossible is refused."""
    if setting.kind == "lot":
        return mapped_column(Integer, ForeignKey("lot.id"), nullable=True)
    if setting.quantity is not None:
        return mapped_column(Integer if setting.quantity.whole else Float, nullable=True)
    types: dict[str, Any] = {"choice": String(40), "text": Text(), "flag": Boolean()}
    return mapped_column(types[setting.kind], nullable=True)


def _step_class(step: StepKind) -> type[Event]:
    name = "".join(part.title() for part in step.name.split("_"))
    attributes: dict[str, Any] = {
        "__tablename__": step.name,
        "__module__": __name__,
        "__doc__": f"{step.label}: one act.",
        "__mapper_args__": {"polymorphic_identity": step.name},
        "id": mapped_column(Integer, ForeignKey("event.id"), primary_key=True),
    }
    attributes.update({setting.name: setting_column(setting) for setting in step.settings})
    return type(name, (Event,), attributes)


def _rows_class(step: StepKind) -> type[Base] | None:
    if step.rows is None:
        return None
    attributes: dict[str, Any] = {
        "__tablename__": f"{step.name}_{step.rows.name}",
        "__module__": __name__,
        "__doc__": f"{step.rows.label} of one {step.label.lower()}.",
        "id": mapped_column(Integer, primary_key=True),
        "event_id": mapped_column(Integer, ForeignKey("event.id"), nullable=False, index=True),
        "sequence": mapped_column(Integer, nullable=False),
    }
    attributes.update({setting.name: setting_column(setting) for setting in step.rows.settings})
    return type(f"{step.name.title().replace('_', '')}Row", (Base,), attributes)


STEP_CLASSES: dict[str, type[Event]] = {
    name: _step_class(step) for name, step in STEPS.items() if step.scope == "piece"
}
"""Mapped class of each step done to pieces, by step kind."""

ROW_CLASSES: dict[str, type[Base]] = {
    name: rows for name, step in STEPS.items() if (rows := _rows_class(step)) is not None
}
"""Mapped class of a step's repeated rows, by step kind."""


class ReflowSession(Event):
    """One sitting at the laser: warm-up, meter readings, spot, alignment check. The laser is `tool_id`."""

    __tablename__ = "reflow_session"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    warm_up_min: Mapped[float | None]
    meter_start_w: Mapped[float | None]
    meter_end_w: Mapped[float | None]
    meter_where: Mapped[str | None] = mapped_column(String(80))
    meter_tool_id: Mapped[int | None] = mapped_column(ForeignKey("tool.id"))
    spot_um: Mapped[float | None]
    spot_how: Mapped[str | None] = mapped_column(String(80))
    alignment: Mapped[str | None] = mapped_column(String(40))
    alignment_when: Mapped[str | None] = mapped_column(String(40))
    __mapper_args__ = {"polymorphic_identity": "reflow_session"}


class _ShotColumns(Event):
    __abstract__ = True
    session_id: Mapped[int | None] = mapped_column(ForeignKey("reflow_session.id"), index=True)
    sequence: Mapped[int]
    power_w: Mapped[float | None]
    """Watts by the calibration valid then; None where there was none."""
    purpose: Mapped[str] = mapped_column(String(20), default="reflow")
    outcome: Mapped[str | None] = mapped_column(String(20))


def _shot_class() -> type[_ShotColumns]:
    step = STEPS["reflow"]
    attributes: dict[str, Any] = {
        "__module__": __name__,
        "__tablename__": step.name,
        "__doc__": "One shot on one device, in a session.",
        "__mapper_args__": {"polymorphic_identity": step.name},
        "id": mapped_column(Integer, ForeignKey("event.id"), primary_key=True),
    }
    attributes.update({setting.name: setting_column(setting) for setting in step.settings})
    return type("ReflowShot", (_ShotColumns,), attributes)


ReflowShot = _shot_class()
