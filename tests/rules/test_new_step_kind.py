"""A step kind added only where the documentation says appears everywhere a step kind should."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine

from app.db.migrate import newest_revision

ROOT = Path(__file__).parents[2]

STEP = '''"""Soak: a made-up step that decides a stage of its own."""

from app.core.step import StepKind, choice, number

STEP = StepKind(
    name="soak",
    label="Argon soak",
    scope="piece",
    pieces=("wafer", "chip"),
    order=35,
    stage="soaked",
    settings=(
        number("treatment_c"),
        number("treatment_s"),
        choice("ambient", "Ambient gas", {"argon": "Argon", "oxygen": "Oxygen"}),
    ),
)
'''
MIGRATION = '''"""A table for the soak, and its columns of the device table."""

import sqlalchemy as sa
from alembic import op

from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS, device_table_sql
from app.db.models.steps import STEP_CLASSES

revision = "2026_12_01_soak"
down_revision = "2026_11_25_whole_schema"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute("DROP VIEW device_table")
    STEP_CLASSES["soak"].__table__.create(op.get_bind())
    for table in (PIECE_FACTS, DEVICE_FACTS):
        there = {each["name"] for each in sa.inspect(op.get_bind()).get_columns(table.name)}
        with op.batch_alter_table(table.name) as batch:
            for column in table.columns:
                if column.name not in there:
                    default = None if column.nullable else sa.text("0")
                    new = sa.Column(column.name, column.type, nullable=column.nullable, server_default=default)
                    batch.add_column(new)
    op.execute(device_table_sql())


def downgrade() -> None:
    raise AssertionError("the copy is thrown away")
'''
VOCAB = (
    (
        '"oxide_etched": "Oxide etched",\n        "undercut"',
        '"oxide_etched": "Oxide etched",\n        "soaked": "Soaked in argon",\n        "undercut"',
    ),
    (
        '"undercut": "undercut",\n    "reflowed": "reflow"',
        '"soaked": "soak",\n    "undercut": "undercut",\n    "reflowed": "reflow"',
    ),
    (
        '"undercut": "Undercut",\n    "reflowed": "Reflowed",\n',
        '"soaked": "Soaked",\n    "undercut": "Undercut",\n    "reflowed": "Reflowed",\n',
    ),
)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a lab says in a copy of the checkout to which the made-up step kind was added."""
    copy = tmp_path_factory.mktemp("copy")
    for name in ("app", "migrations", "static", "seed_data", "tests"):
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    (copy / "app/core/steps/soak.py").write_text(STEP)
    newest = newest_revision(create_engine("sqlite://"))
    assert newest is not None
    (copy / "migrations/versions/2026_12_01_soak.py").write_text(MIGRATION.replace("2026_11_25_whole_schema", newest))
    words = (copy / "app/core/vocab.py").read_text()
    for old, new in VOCAB:
        assert words.count(old) == 1, old
        words = words.replace(old, new)
    (copy / "app/core/vocab.py").write_text(words)
    done = subprocess.run(
        [sys.executable, "-m", "tests.rules.made_up_step", str(copy / "lab")],
        cwd=copy,
        env={**os.environ, "PYTHONPATH": str(copy)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    said: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return said


PLACES = {
    "log": r'value="/log/soak">Argon soak',
    "form": r'name="treatment_c".*name="ambient"',
    "recipe kinds": r"Argon soak",
    "recipe editor": r'name="treatment_c".*name="treatment_s".*name="ambient"',
    "wafer": r"Argon soak.*950",
    "recipes": r"Argon soak, recipe.*Ambient gas",
    "yield": r"Soaked",
    "inspection": r'value="soaked"',
    "history": r"[Ss]oak",
}


@pytest.mark.parametrize("place", PLACES)
def test_a_made_up_step_kind_appears_on_the_page(found: dict[str, Any], place: str) -> None:
    """Log list and form, recipe editor, process data, recipe search, yield, inspection, history."""
    assert re.search(PLACES[place], found["pages"][place], re.DOTALL), found["pages"][place][:3000]


def test_a_made_up_step_kind_is_in_table_export_and_search(found: dict[str, Any]) -> None:
    """Devices inherit its settings; the export has a column with the unit for each; recipes group by them."""
    assert found["table"] == [[950.0, "argon", 1], [950.0, "argon", 1]]
    header = found["pages"]["export"].splitlines()
    line = next(each for each in header if "soak_treatment_c" in each)
    assert "soak_ambient" in line
    assert "soaked_outcome" in line or "soaked" in line
    assert {"soak_recipe_version_id", "soak_treatment_c", "soak_ambient"} <= set(found["groupings"])
