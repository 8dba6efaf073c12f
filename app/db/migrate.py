"""Brings a lab's schema up to date (or back) with Alembic, from a checkout or an installed wheel."""

from __future__ import annotations

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine

from app.resources import migrations


def config_for(engine: Engine) -> Config:
    """Alembic's configuration, with the engine handed on to `migrations/env.py`."""
    config = Config()
    config.set_main_option("script_location", str(migrations()).replace("%", "%%"))
    config.attributes["engine"] = engine
    return config


def upgrade(engine: Engine, revision: str = "head") -> None:
    """Bring the schema up to `revision`."""
    command.upgrade(config_for(engine), revision)


def downgrade(engine: Engine, revision: str = "base") -> None:
    """Take the schema back to `revision`."""
    command.downgrade(config_for(engine), revision)


def check(engine: Engine) -> None:
    """Raise where the models and the migrated schema differ."""
    command.check(config_for(engine))


def revision_of(engine: Engine) -> str | None:
    """The schema's present revision; None for an empty database."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def newest_revision(engine: Engine) -> str | None:
    """The revision this version of Marver wants."""
    return ScriptDirectory.from_config(config_for(engine)).get_current_head()
