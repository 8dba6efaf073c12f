"""`marver verify` and `marver upgrade`, as a person calls them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import text

from app.cli.main import main
from app.db import migrate
from app.db.session import Database
from tests.db.small_lab import with_person

if TYPE_CHECKING:
    from app.settings import Settings


def test_a_sound_lab_prints_its_last_change(
    database: Database, settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 0, and the number and hash to note; given back as anchor they hold."""
    with_person(database)
    assert main(["verify", "--data", str(settings.data)]) == 0
    said = capsys.readouterr().out
    found = re.search(r"last change (1:[0-9a-f]{64})", said)
    assert found
    assert said.endswith("Sound.\n")
    assert main(["verify", "--data", str(settings.data), "--anchor", found[1]]) == 0


def test_a_tampered_lab_is_told_with_exit_1(
    database: Database, settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is wrong and where stands on a line of its own."""
    with_person(database)
    with database.engine.begin() as connection:
        connection.execute(text("UPDATE operator SET role = 'visitor'"))
    assert main(["verify", "--data", str(settings.data)]) == 1
    said = capsys.readouterr()
    assert "fault: operator 1 differs from what the deeds say of it: role" in said.out
    assert said.err == "marver verify: one fault found\n"


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["verify", "--data", "nowhere"], "there is no lab in"),
        (["verify", "--anchor", "12"], "is no anchor"),
        (["verify", "--anchr", "12"], "unrecognized arguments"),
        (["upgrade", "--data", "nowhere"], "there is no lab in"),
    ],
)
def test_bad_usage_is_one_line_with_exit_2(
    words: list[str], why: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No traceback, no half-made folder."""
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    said = capsys.readouterr().err
    assert why in said
    assert said.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_database_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Somebody's letter called marver.sqlite is refused, and left as it is."""
    (tmp_path / "marver.sqlite").write_text("Dear colleagues, " * 100)
    for command in ("verify", "upgrade"):
        assert main([command, "--data", str(tmp_path)]) == 2
        said = capsys.readouterr().err
        assert "database" in said
        assert said.count("\n") == 1
    assert (tmp_path / "marver.sqlite").read_text().startswith("Dear")


def test_an_older_schema_is_brought_up_to_date(
    database: Database, settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    """`verify` asks for it, `upgrade` does it once and then says there is nothing to do."""
    migrate.downgrade(database.engine)
    assert main(["verify", "--data", str(settings.data)]) == 2
    assert "run `marver upgrade` first" in capsys.readouterr().err
    assert main(["upgrade", "--data", str(settings.data)]) == 0
    assert "was brought up to date" in capsys.readouterr().out
    assert main(["upgrade", "--data", str(settings.data)]) == 0
    assert capsys.readouterr().out == "The schema is up to date.\n"
    assert main(["verify", "--data", str(settings.data)]) == 0
