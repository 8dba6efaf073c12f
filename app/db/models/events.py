"""Everything done or seen is one event: when, logged when, who, tool, note; its kind's table holds the rest.

The id of an event is its entry number: deeds are ordered by (done_at, id).
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import JSON, ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db.base import Base, Versioned


class EventPiece(Base):
    """One physical act on several pieces is one event with several pieces."""

    __tablename__ = "event_piece"
    __table_args__ = (Index("ix_event_piece_piece", "piece_id", "event_id"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    event_id: Mapped[int] = mapped_column(ForeignKey("event.id"), index=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"))


class Event(Versioned, Base):
    """A record of something done or seen."""

    __tablename__ = "event"
    __table_args__ = (Index("ix_event_device", "device_id", "done_at"), Index("ix_event_kind_done", "kind", "done_at"))
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(40))
    done_at: Mapped[datetime]
    logged_at: Mapped[datetime]
    operator_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    tool_id: Mapped[int | None] = mapped_column(ForeignKey("tool.id"))
    recipe_version_id: Mapped[int | None] = mapped_column(ForeignKey("recipe_version.id"), index=True)
    device_id: Mapped[int | None] = mapped_column(ForeignKey("device.id", use_alter=True))
    """Set where it was done to, or seen on, one device."""
    unknown: Mapped[bool] = mapped_column(default=False)
    """Done, details unknown."""
    sources: Mapped[dict[str, str]] = mapped_column(JSON, default=dict)
    """Where each setting came from: `recipe` (unread), `typed`, `tool`."""
    note: Mapped[str | None] = mapped_column(Text)
    voided_at: Mapped[datetime | None]
    voided_by_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    void_reason: Mapped[str | None] = mapped_column(String(200))
    pieces: Mapped[list[EventPiece]] = relationship(lazy="raise", order_by=EventPiece.id)
    __mapper_args__ = {"polymorphic_on": "kind", "polymorphic_identity": "event"}


class Taking(Event):
    """Sites or fibre ends taken in hand; the devices it made point here."""

    __tablename__ = "taking"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    purpose: Mapped[str] = mapped_column(String(20))
    count: Mapped[int]
    sites: Mapped[str] = mapped_column(Text)
    """The sites in words, as chosen on the map."""
    __mapper_args__ = {"polymorphic_identity": "taking"}


class PurposeChange(Event):
    """What one device is for, from now on."""

    __tablename__ = "purpose_change"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    purpose: Mapped[str] = mapped_column(String(20))
    __mapper_args__ = {"polymorphic_identity": "purpose_change"}


class Parting(Event):
    """A wafer or chip scribed and cleaved or diced; ends it, and its children point here."""

    __tablename__ = "parting"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    method: Mapped[str | None] = mapped_column(String(30))
    protection: Mapped[str | None] = mapped_column(String(80))
    sites_lost: Mapped[int | None]
    __mapper_args__ = {"polymorphic_identity": "parting"}


class Whereabouts(Event):
    """Where a piece is from now on: in the lab, lent, sent, used up, broken, lost."""

    __tablename__ = "whereabouts"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    state: Mapped[str] = mapped_column(String(20))
    place: Mapped[str | None] = mapped_column(String(120))
    until: Mapped[datetime | None]
    __mapper_args__ = {"polymorphic_identity": "whereabouts"}


class Ending(Event):
    """A piece stopped on purpose or superseded, with a reason."""

    __tablename__ = "ending"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    reason: Mapped[str] = mapped_column(String(200))
    __mapper_args__ = {"polymorphic_identity": "ending"}


class Loss(Event):
    """A piece or a device lost: found at one stage, caused at one step, one cause."""

    __tablename__ = "loss"
    id: Mapped[int] = mapped_column(ForeignKey("event.id"), primary_key=True)
    found_at: Mapped[str | None] = mapped_column(String(30))
    caused_at: Mapped[str | None] = mapped_column(String(30))
    cause: Mapped[str] = mapped_column(String(30))
    __mapper_args__ = {"polymorphic_identity": "loss"}
