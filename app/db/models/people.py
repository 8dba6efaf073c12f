"""Who works here, with what tools."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db.base import Base, Versioned


class Operator(Versioned, Base):
    """A person who logs; `secret` is the place for a PIN, kept only as a salted hash."""

    __tablename__ = "operator"
    id: Mapped[int] = mapped_column(primary_key=True)
    initials: Mapped[str] = mapped_column(String(8))
    initials_key: Mapped[str] = mapped_column(String(8), unique=True)
    name: Mapped[str] = mapped_column(String(120))
    role: Mapped[str] = mapped_column(String(20), default="member")
    active: Mapped[bool] = mapped_column(default=True)
    secret: Mapped[str | None] = mapped_column(String(200))


class Tool(Versioned, Base):
    """A tool of the lab; `properties` by kind: linewidth and averaging time, bandwidth, chamber volume …"""

    __tablename__ = "tool"
    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(String(40))
    code_key: Mapped[str] = mapped_column(String(40), unique=True)
    kind: Mapped[str] = mapped_column(String(30), index=True)
    name: Mapped[str] = mapped_column(String(120))
    place: Mapped[str | None] = mapped_column(String(120))
    state: Mapped[str] = mapped_column(String(20), default="in_use")
    properties: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    note: Mapped[str | None] = mapped_column(Text)


class ToolEvent(Versioned, Base):
    """Calibration with value and validity, service, fault or bath change of a tool."""

    __tablename__ = "tool_event"
    id: Mapped[int] = mapped_column(primary_key=True)
    tool_id: Mapped[int] = mapped_column(ForeignKey("tool.id"), index=True)
    kind: Mapped[str] = mapped_column(String(30))
    done_at: Mapped[datetime] = mapped_column(index=True)
    logged_at: Mapped[datetime]
    operator_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    what: Mapped[str | None] = mapped_column(String(80))
    """What the value is: `w_per_dial` is the watts one dialled unit gives."""
    value: Mapped[float | None]
    unit: Mapped[str | None] = mapped_column(String(20))
    valid_until: Mapped[datetime | None]
    note: Mapped[str | None] = mapped_column(Text)
    voided_at: Mapped[datetime | None]
    void_reason: Mapped[str | None] = mapped_column(String(200))


class LabSetting(Versioned, Base):
    """One setting of the lab as a whole (its name, time zone, after how many days a piece stalls …)."""

    __tablename__ = "lab_setting"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(60), unique=True)
    value: Mapped[Any] = mapped_column(JSON)


class QuantityRange(Versioned, Base):
    """A plausible range that a lead has edited; the declared one holds where there is none."""

    __tablename__ = "quantity_range"
    id: Mapped[int] = mapped_column(primary_key=True)
    quantity: Mapped[str] = mapped_column(String(60), unique=True)
    low: Mapped[float | None]
    high: Mapped[float | None]


class RangeConfirmation(Base):
    """Somebody confirmed a value outside the plausible range: once per recipe version and quantity."""

    __tablename__ = "range_confirmation"
    __table_args__ = (UniqueConstraint("recipe_version_id", "quantity", "value"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    recipe_version_id: Mapped[int | None] = mapped_column(ForeignKey("recipe_version.id"))
    quantity: Mapped[str] = mapped_column(String(60))
    value: Mapped[float]
    operator_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    confirmed_at: Mapped[datetime]
