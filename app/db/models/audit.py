"""The audit chain and the submissions that were saved once."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, ForeignKey, Index, Integer, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from app.db.base import Base

BIG = BigInteger().with_variant(Integer, "sqlite")


class AuditEntry(Base):
    """One deed: what was done, by whom, chained to the one before by its hash."""

    __tablename__ = "audit_entry"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[datetime]
    operator_id: Mapped[int | None]
    deed: Mapped[str] = mapped_column(String(80), index=True)
    reason: Mapped[str | None] = mapped_column(String(200))
    key: Mapped[str | None] = mapped_column(String(80))
    previous_hash: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64))


class AuditChange(Base):
    """One row that a deed made or changed, before and after, as canonical text."""

    __tablename__ = "audit_change"
    __table_args__ = (Index("ix_audit_change_row", "table_name", "row_id"),)
    id: Mapped[int] = mapped_column(BIG, primary_key=True)
    seq: Mapped[int] = mapped_column(ForeignKey("audit_entry.seq"), index=True)
    table_name: Mapped[str] = mapped_column(String(60))
    row_id: Mapped[str] = mapped_column(String(60))
    before: Mapped[str | None] = mapped_column(Text)
    after: Mapped[str | None] = mapped_column(Text)


class Submission(Base):
    """A form saved once by its key; the same key and body answers the same again."""

    __tablename__ = "submission"
    key: Mapped[str] = mapped_column(String(80), primary_key=True)
    operator_id: Mapped[int | None]
    body_hash: Mapped[str] = mapped_column(String(64))
    result: Mapped[Any] = mapped_column(JSON)
    at: Mapped[datetime]
