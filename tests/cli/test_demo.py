"""`marver demo`: the example lab, whole, and only where there is room for it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import func, select, text

from app.actions.example.build import build, sittings
from app.cli.main import main
from app.core.example.happenings import Scanned
from app.core.example.lab import ExampleLab, example_lab
from app.db import device_table, migrate
from app.db.models.audit import AuditEntry
from app.db.models.material import Device, Piece
from app.db.models.seen import Attachment, ResonanceFit
from app.db.session import Database
from app.files import FileStore


@pytest.fixture(scope="module")
def beginning() -> ExampleLab:
    """The example's first weeks, with a few scans."""
    lab = example_lab(date(2026, 3, 4))
    scans = [place for place, each in enumerate(lab.happenings) if isinstance(each, Scanned)]
    return ExampleLab(lab.name, lab.happenings[: scans[6]])


def newest_hash(database: Database) -> str | None:
    """The hash of the last audit entry, which covers all before it."""
    with database.reading() as session:
        return session.scalar(select(AuditEntry.hash).order_by(AuditEntry.seq.desc()).limit(1))


def test_the_lab_is_whole(example_folder: Path) -> None:
    """A dozen wafers, 40 chips, at least 900 devices and 60 fibre ends; the device table agrees with them."""
    database = Database(f"sqlite:///{example_folder / 'marver.sqlite'}")
    with database.reading() as session:
        pieces = dict(session.execute(select(Piece.kind, func.count()).group_by(Piece.kind)).all())
        devices = dict(session.execute(select(Device.kind, func.count()).group_by(Device.kind)).all())
        assert not device_table.difference(session)
    database.close()
    assert pieces == {"wafer": 12, "chip": 40, "fibre_batch": 6}
    assert devices["microtoroid"] >= 900
    assert devices["microsphere"] == 60


def test_every_q_comes_from_a_stored_file(example_folder: Path) -> None:
    """Each fit names a file that is stored, byte for byte, and nearly every scan with a resonance has one."""
    database = Database(f"sqlite:///{example_folder / 'marver.sqlite'}")
    files = FileStore(example_folder / "files")
    with database.reading() as session:
        fitted = session.scalars(select(ResonanceFit.file_sha256)).all()
        kept = session.scalars(select(Attachment.sha256)).all()
    database.close()
    assert len(fitted) > 600
    assert set(fitted) <= set(kept)
    assert b"invented" in files.get(fitted[0])
    assert all(files.has(each) for each in kept)


def test_the_second_recipes_show_in_the_device_table(example_folder: Path) -> None:
    """Devices by the later recipe versions have several times the typical intrinsic Q of the first."""
    database = Database(f"sqlite:///{example_folder / 'marver.sqlite'}")
    query = "SELECT root_code < 'W006', avg(q_typical) FROM device_table WHERE device_kind = 'microtoroid' GROUP BY 1"
    with database.reading() as session:
        later, first = (row[1] for row in session.execute(text(query + " ORDER BY 1")))
    database.close()
    assert later > 3 * first


def test_it_is_the_same_twice(beginning: ExampleLab, database: Database, tmp_path: Path) -> None:
    """Told into two labs, the audit chain ends with the same hash."""
    other = Database(f"sqlite:///{tmp_path / 'other.sqlite'}")
    migrate.upgrade(other.engine)
    for each in (database, other):
        build(each, FileStore(tmp_path / "files"), beginning)
    assert newest_hash(other) == newest_hash(database) is not None
    other.close()


@pytest.mark.embedded
@pytest.mark.postgres
def test_it_is_the_same_on_postgresql(
    beginning: ExampleLab, database: Database, postgres_database: Database, tmp_path: Path
) -> None:
    """Either database keeps the same records under the same hash."""
    for each in (database, postgres_database):
        build(each, FileStore(tmp_path / "files"), beginning)
    assert newest_hash(postgres_database) == newest_hash(database) is not None
    with postgres_database.reading() as session:
        assert not device_table.difference(session)


def test_scans_of_a_sitting_are_saved_together(beginning: ExampleLab) -> None:
    """A day's scans of one piece are one deed; nothing is lost or told twice on the way."""
    groups = sittings(beginning.happenings)
    told = [happening for group in groups for happening in group]
    assert sorted(map(id, told)) == sorted(map(id, beginning.happenings))
    assert any(len(group) > 3 and isinstance(group[0], Scanned) for group in groups)


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one line on standard error of a command that ends with 2."""
    assert main(["demo", *words]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    return captured.err


def test_a_folder_that_holds_a_lab_is_left_alone(example_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The line says how to serve what is there."""
    before = (example_folder / "marver.sqlite").read_bytes()
    assert f"marver serve --data {example_folder}" in refused(capsys, "--data", str(example_folder))
    assert (example_folder / "marver.sqlite").read_bytes() == before


def test_a_folder_with_other_things_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is put among somebody's own files, nor in the place of a file."""
    (tmp_path / "thesis.tex").write_text("dear")
    assert "not an empty folder" in refused(capsys, "--data", str(tmp_path))
    assert "not an empty folder" in refused(capsys, "--data", str(tmp_path / "thesis.tex"))
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.tex"]


def test_a_port_that_is_no_port_is_said_before_anything_is_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody waits for a lab that then cannot be served."""
    assert "port" in refused(capsys, "--data", str(tmp_path / "lab"), "--port", "70000")
    assert not (tmp_path / "lab").exists()


def test_a_database_in_use_is_left_alone(
    data_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With MARVER_DATABASE_URL naming a lab, nothing is written and no folder is left."""
    monkeypatch.setenv("MARVER_DATABASE_URL", f"sqlite:///{data_folder / 'marver.sqlite'}")
    assert "holds a lab already" in refused(capsys, "--data", str(tmp_path / "other"))
    assert not (tmp_path / "other").exists()


def test_stopped_half_way_it_leaves_nothing(tmp_path: Path) -> None:
    """Ctrl C while it is being made: one line, and neither a half lab nor a folder beside it."""
    words = [sys.executable, "-m", "app.cli.main", "demo", "--data", str(tmp_path / "lab"), "--no-serve"]
    with subprocess.Popen(words, stderr=subprocess.PIPE, start_new_session=True, text=True) as making:
        while not list(tmp_path.glob(".lab-*/marver.sqlite-wal")):
            assert making.poll() is None
            time.sleep(0.05)
        os.killpg(making.pid, signal.SIGTERM)
        _, said = making.communicate()
    assert making.returncode == 130
    assert said.strip() == "marver demo: stopped; nothing was kept."
    assert list(tmp_path.iterdir()) == []
