"""The declarative base: naming convention, UTC instants, versions for two people at one record."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import DateTime, Dialect, MetaData, TypeDecorator
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

NAMING = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Instant(TypeDecorator[datetime]):
    """An instant, kept as UTC without zone on both databases and read back as an aware datetime."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """UTC without zone; a naive instant is a bug."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant needs its zone")
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Aware again."""
        return None if value is None else value.replace(tzinfo=UTC)


class Base(DeclarativeBase):
    """Every table of the lab."""

    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map = {datetime: Instant}  # noqa: RUF012  SQLAlchemy reads it as a class attribute


class Versioned:
    """Counts the changes of a row, so that the version on a form can be compared with it."""

    version: Mapped[int] = mapped_column(default=1)
