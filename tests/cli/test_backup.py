"""Backup and restore: consistent while the lab is written to, verified before anything is replaced."""

from __future__ import annotations

import threading
import zipfile
from pathlib import Path

import pytest

from app.cli.main import main
from app.db.models.people import Operator
from app.db.session import Database
from app.files import FileStore
from app.settings import Settings


def _add_person(database: Database, initials: str) -> None:
    with database.writing("register person", operator_id=None) as writing:
        writing.add(Operator(initials=initials, initials_key=initials.casefold(), name=f"Person {initials}"))


def _people(folder: Path) -> list[str]:
    database = Database(f"sqlite:///{folder / 'marver.sqlite'}")
    with database.reading() as session:
        found = [person.initials for person in session.query(Operator).order_by(Operator.id)]
    database.close()
    return found


@pytest.mark.embedded
def test_a_restored_lab_is_the_lab(database: Database, settings: Settings, tmp_path: Path) -> None:
    """What was backed up comes back, row for row, and verifies."""
    for initials in ("AB", "CD"):
        _add_person(database, initials)
    archive, copy = tmp_path / "lab.zip", tmp_path / "copy"
    assert main(["backup", str(archive), "--data", str(settings.data)]) == 0
    assert main(["restore", str(archive), "--data", str(copy)]) == 0
    assert _people(copy) == ["AB", "CD"]
    assert main(["verify", "--data", str(copy)]) == 0


@pytest.mark.embedded
def test_new_records_go_on_after_a_restore(database: Database, settings: Settings, tmp_path: Path) -> None:
    """The chain of a restored lab is carried on, and still verifies."""
    _add_person(database, "AB")
    archive, copy = tmp_path / "lab.zip", tmp_path / "copy"
    assert main(["backup", str(archive), "--data", str(settings.data)]) == 0
    assert main(["restore", str(archive), "--data", str(copy)]) == 0
    restored = Database(f"sqlite:///{copy / 'marver.sqlite'}")
    _add_person(restored, "EF")
    restored.close()
    assert _people(copy) == ["AB", "EF"]
    assert main(["verify", "--data", str(copy)]) == 0


@pytest.mark.embedded
def test_backup_while_writing_is_consistent(database: Database, settings: Settings, tmp_path: Path) -> None:
    """A backup taken while deeds are saved holds a whole number of them."""
    stop = threading.Event()

    def write() -> None:
        number = 0
        while not stop.is_set() and number < 500:
            _add_person(database, f"P{number}")
            number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        archive = tmp_path / "lab.zip"
        assert main(["backup", str(archive), "--data", str(settings.data)]) == 0
    finally:
        stop.set()
        writer.join()
    assert main(["restore", str(archive), "--data", str(tmp_path / "copy")]) == 0
    assert main(["verify", "--data", str(tmp_path / "copy")]) == 0


@pytest.mark.embedded
def test_restore_refuses_a_folder_that_holds_a_lab(
    database: Database, settings: Settings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without --force nothing is replaced; with it, the old lab is kept beside."""
    _add_person(database, "AB")
    archive = tmp_path / "lab.zip"
    assert main(["backup", str(archive), "--data", str(settings.data)]) == 0
    _add_person(database, "CD")
    database.close()
    assert main(["restore", str(archive), "--data", str(settings.data)]) == 2
    assert "--force" in capsys.readouterr().err
    assert _people(settings.data) == ["AB", "CD"]
    assert main(["restore", str(archive), "--data", str(settings.data), "--force"]) == 0
    assert _people(settings.data) == ["AB"]
    assert list(settings.data.glob("marver.before-*.sqlite"))


@pytest.mark.embedded
def test_a_damaged_archive_is_refused_before_anything_changes(
    database: Database, settings: Settings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A member that was changed shows, and the lab stays as it was."""
    _add_person(database, "AB")
    good, bad = tmp_path / "good.zip", tmp_path / "bad.zip"
    assert main(["backup", str(good), "--data", str(settings.data)]) == 0
    with zipfile.ZipFile(good) as source, zipfile.ZipFile(bad, "w") as target:
        for name in source.namelist():
            content = source.read(name)
            target.writestr(name, content.replace(b"Person AB", b"Person XY") if "operator" in name else content)
    database.close()
    assert main(["restore", str(bad), "--data", str(settings.data), "--force"]) == 2
    assert "checksum" in capsys.readouterr().err
    assert _people(settings.data) == ["AB"]


@pytest.mark.parametrize("content", [b"", b"not an archive", b"PK\x03\x04 broken"])
def test_what_is_no_archive_is_refused(content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line on standard error, exit code 2, no traceback."""
    source = tmp_path / "x.zip"
    source.write_bytes(content)
    assert main(["restore", str(source), "--data", str(tmp_path / "new")]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_backup_does_not_overwrite(database: Database, settings: Settings, tmp_path: Path) -> None:
    """An archive that exists is left alone."""
    _add_person(database, "AB")
    archive = tmp_path / "lab.zip"
    archive.write_bytes(b"precious")
    assert main(["backup", str(archive), "--data", str(settings.data)]) == 2
    assert archive.read_bytes() == b"precious"


@pytest.mark.embedded
@pytest.mark.postgres
def test_an_embedded_lab_moves_to_postgresql(
    database: Database,
    settings: Settings,
    postgres_database: Database,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same archive restores into PostgreSQL, where new records go on counting."""
    _add_person(database, "AB")
    archive = tmp_path / "lab.zip"
    assert main(["backup", str(archive), "--data", str(settings.data)]) == 0
    monkeypatch.setenv("MARVER_DATABASE_URL", postgres_database.url)
    assert main(["restore", str(archive), "--data", str(tmp_path / "server")]) == 0
    _add_person(postgres_database, "CD")
    assert main(["restore", str(archive), "--data", str(tmp_path / "server")]) == 2
    assert main(["verify", "--data", str(tmp_path / "server")]) == 0
    assert main(["restore", str(archive), "--data", str(tmp_path / "server"), "--force"]) == 0
    assert FileStore(tmp_path / "server" / "files").folder.is_dir()
