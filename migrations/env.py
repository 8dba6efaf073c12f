"""Runs migrations on the engine handed over by `app.db.migrate`, or on MARVER_DATABASE_URL."""

from __future__ import annotations

import os

from alembic import context
from sqlalchemy import Connection, create_engine, text

from app.db.base import Instant
from app.db.schema import metadata


def _render(kind: str, value: object, _context: object) -> str | bool:
    if kind == "type" and isinstance(value, Instant):
        return "sa.DateTime()"
    return False


def _foreign_keys(connection: Connection, state: str) -> None:
    """Set on the driver's own connection: within a transaction SQLite ignores it, and SQLAlchemy always begins one."""
    connection.commit()
    driver = connection.connection.dbapi_connection
    assert driver is not None
    driver.execute(f"PRAGMA foreign_keys={state}")


def _run(connection: Connection) -> None:
    sqlite = connection.dialect.name == "sqlite"
    if sqlite:
        _foreign_keys(connection, "OFF")
    context.configure(
        connection=connection,
        target_metadata=metadata,
        render_as_batch=sqlite,
        render_item=_render,
        compare_type=True,
        transactional_ddl=True,
    )
    with context.begin_transaction():
        context.run_migrations()
    if sqlite:
        broken = connection.execute(text("PRAGMA foreign_key_check")).all()
        _foreign_keys(connection, "ON")
        if broken:
            raise RuntimeError(f"foreign keys broken after the migration: {broken[:3]}")


def main() -> None:
    """Migrate."""
    engine = context.config.attributes.get("engine")
    if engine is None:
        engine = create_engine(os.environ["MARVER_DATABASE_URL"])
    with engine.connect() as connection:
        _run(connection)
        connection.commit()


main()
