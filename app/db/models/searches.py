"""Searches somebody named and kept in the lab."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db.base import Base, Versioned


class SavedSearch(Versioned, Base):
    """One search of a page by name; `query` is what stands after the question mark of its address."""

    __tablename__ = "saved_search"
    __table_args__ = (UniqueConstraint("page", "name_key"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    page: Mapped[str] = mapped_column(String(20))
    name: Mapped[str] = mapped_column(String(80))
    name_key: Mapped[str] = mapped_column(String(80))
    query: Mapped[str] = mapped_column(Text)
    made_at: Mapped[datetime]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("operator.id"))
    active: Mapped[bool] = mapped_column(default=True)
