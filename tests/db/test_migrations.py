"""Migrations go up and down with records in them, and say what the models say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import inspect, text

from app.db import device_table
from app.db.migrate import check, downgrade, newest_revision, revision_of, upgrade
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS, VIEW_NAME, own_in_order
from app.db.session import Database
from tests.db.small_lab import with_devices, with_person

if TYPE_CHECKING:
    from pathlib import Path


def test_models_and_schema_say_the_same(either_database: Database) -> None:
    """Nothing in the models waits for a migration."""
    check(either_database.engine)
    assert revision_of(either_database.engine) == newest_revision(either_database.engine)


def test_up_and_down_with_records_in_it(either_database: Database) -> None:
    """Going back takes every table along, in an order the foreign keys allow; coming up again works."""
    with_devices(either_database, with_person(either_database))
    downgrade(either_database.engine)
    left = set(inspect(either_database.engine).get_table_names()) - {"alembic_version"}
    assert not left
    assert not inspect(either_database.engine).get_view_names()
    upgrade(either_database.engine)
    check(either_database.engine)
    assert len(with_devices(either_database, with_person(either_database))) == 30


def test_upgrading_twice_changes_nothing(either_database: Database) -> None:
    """An up-to-date lab stays as it is, records and all."""
    with_person(either_database)
    upgrade(either_database.engine)
    with either_database.reading() as session:
        assert session.scalar(text("SELECT count(*) FROM operator")) == 1


def test_every_column_of_the_device_table_is_in_its_view(either_database: Database) -> None:
    """The view has each declared column of both halves, once, in the declared order."""
    columns = [column["name"] for column in inspect(either_database.engine).get_columns(VIEW_NAME)]
    assert columns[: len(DEVICE_FACTS.columns)] == own_in_order()
    assert len(columns) == len(set(columns))
    wanted = {column.name for column in DEVICE_FACTS.columns} | {column.name for column in PIECE_FACTS.columns}
    assert wanted <= set(columns)


def test_the_device_table_saved_is_the_one_rebuilt(either_database: Database) -> None:
    """Saving deed by deed and working everything out anew give the same rows."""
    with_devices(either_database, with_person(either_database))
    with either_database.writing("look", operator_id=None) as writing:
        assert device_table.counts(writing.session) == (1, 30)
        assert device_table.difference(writing.session) == []


def test_a_folder_that_cannot_hold_a_lab_is_told(tmp_path: Path) -> None:
    """A database file in a folder that is not there is an error, not a new lab somewhere else."""
    database = Database(f"sqlite:///{tmp_path / 'nowhere' / 'marver.sqlite'}")
    with pytest.raises(Exception, match="unable to open database file"):
        upgrade(database.engine)
    database.close()
