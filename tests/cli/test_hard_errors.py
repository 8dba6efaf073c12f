"""Commands on a lab that is locked, damaged, read-only or on a full disk: one line, exit 2, the lab as it was."""

from __future__ import annotations

import os
import resource
import shutil
import socket
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from app.actions.pieces import take_in_hand
from app.cli.main import main
from app.db.models.material import Lot
from app.db.models.people import Operator
from app.db.session import Database
from app.schemas.pieces import SitesIn, TakingIn
from app.settings import Settings
from tests.log_lab import LogLab

ROOT = Path(__file__).resolve().parents[2]
RIGHTS = "-dac_override,-dac_read_search"

ROOM_BYTES = 40_000
"""Enough for the index that SQLite keeps beside an open database (32 kB), and for little more."""


@pytest.fixture
def lab(database: Database, settings: Settings) -> Path:
    """The data folder of a lab with a person in it, closed."""
    with database.writing("register person", operator_id=None) as writing:
        writing.add(Operator(initials="AB", initials_key="ab", name="Anna Berg"))
    database.close()
    return settings.data


def serve() -> list[str]:
    """The words that serve on a port nobody has."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return ["serve", "--port", str(listener.getsockname()[1])]


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, byte for byte."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def run_command(words: list[str], folder: Path, *, as_user: bool = False, largest_bytes: int | None = None) -> str:
    """Run a command in a process of its own that must end with 2 and one line; returns the line.

    `as_user`: without root's right to write where it may not. `largest_bytes`: no file may grow beyond.
    """
    command = [sys.executable, "-m", "app.cli.main", *words]
    if as_user and os.geteuid() == 0:
        command = ["setpriv", f"--bounding-set={RIGHTS}", f"--inh-caps={RIGHTS}", *command]

    def limit() -> None:
        if largest_bytes is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (largest_bytes, largest_bytes))

    environment = {name: value for name, value in os.environ.items() if not name.startswith("MARVER_")}
    done = subprocess.run(
        command,
        cwd=folder,
        env={**environment, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        preexec_fn=limit,
    )
    assert done.returncode == 2, done.stderr
    assert done.stderr.startswith(f"marver {words[0]}: ")
    assert done.stderr.count("\n") == 1
    return done.stderr


def one_line(capsys: pytest.CaptureFixture[str], words: list[str]) -> str:
    """Run a command here that must end with 2 and one line; returns the line."""
    assert main(words) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    return said


@pytest.mark.embedded
def test_a_lab_another_program_holds_is_told(
    lab: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What must write waits, then says which database is busy; what only reads goes on."""
    monkeypatch.setattr("app.db.session.BUSY_WAIT_S", 0.05)
    with closing(sqlite3.connect(lab / "marver.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        said = one_line(capsys, ["verify", "--data", str(lab)])
        assert str(lab / "marver.sqlite") in said
        assert "busy" in said
        assert "Try again in a moment" in said
        assert main(["export", "devices", "--data", str(lab)]) == 0
        other.execute("ROLLBACK")
    assert main(["verify", "--data", str(lab)]) == 0


@pytest.mark.embedded
@pytest.mark.parametrize("ruin", ["overwritten", "cut short"])
def test_a_damaged_database_is_told_and_left_alone(
    lab: Path, ruin: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every command names the file and what brings the lab back; no byte of it changes."""
    monkeypatch.chdir(tmp_path)
    path = lab / "marver.sqlite"
    whole = path.read_bytes()
    path.write_bytes(b"not a database " * 3000 if ruin == "overwritten" else whole[: len(whole) // 3])
    before = path.read_bytes()
    for words in (serve(), ["verify"], ["upgrade"], ["export", "devices"], ["backup", "out.zip"]):
        said = one_line(capsys, [*words, "--data", str(lab)])
        assert str(path) in said, said
        assert "damaged" in said
        assert "marver restore" in said
    assert path.read_bytes() == before
    assert not (tmp_path / "out.zip").exists()


@pytest.mark.embedded
def test_a_read_only_folder_is_told_and_stays_read_only(lab: Path, tmp_path: Path) -> None:
    """Serving a folder that may not be written to says so; nothing in it, its rights included, is changed."""
    before = contents(lab)
    for path in (*lab.rglob("*"), lab):
        path.chmod(0o500 if path.is_dir() else 0o400)
    try:
        for words in (serve(), ["upgrade"]):
            said = run_command([*words, "--data", str(lab)], tmp_path, as_user=True)
            assert "read-only for this user" in said
            assert str(lab) in said
        assert lab.stat().st_mode & 0o777 == 0o500
        for words in (serve(), ["demo", "--no-serve"]):
            said = run_command([*words, "--data", str(lab / "below" / "new")], tmp_path, as_user=True)
            assert str(lab) in said
    finally:
        for path in (lab, *lab.rglob("*")):
            path.chmod(0o700 if path.is_dir() else 0o600)
    assert contents(lab) == before


def test_a_full_disk_leaves_no_half_lab(tmp_path: Path) -> None:
    """The example lab does not fit: one line, and the folder is not there; nothing is left beside it."""
    said = run_command(["demo", "--no-serve", "--data", str(tmp_path / "new")], tmp_path, largest_bytes=200_000)
    assert "new" in said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.embedded
def test_a_full_disk_leaves_no_half_file(database: Database, settings: Settings, tmp_path: Path) -> None:
    """A backup and an export that do not fit leave the old file, and no part of the new one."""
    lab, out = LogLab(database), tmp_path / "out"
    lab.exposed()
    with lab.deed() as writing:
        sites = tuple((row, column) for row in range(1, 7) for column in range(1, 9))
        take_in_hand(writing, TakingIn(piece_id=lab.wafer, chosen=(SitesIn(exposure_number=1, sites=sites),)))
        writing.add(Lot(code="N", code_key="n", kind="other", note=os.urandom(100_000).hex()))
    database.close()
    out.mkdir()
    (out / "devices.json").write_text("the export of yesterday")
    for words in (["backup", "lab.zip"], ["export", "devices", "--format", "json", "-o", "devices.json"]):
        said = run_command([*words, "--data", str(settings.data)], out, largest_bytes=ROOM_BYTES)
        assert words[-1] in said
        assert "was not written" in said
    assert [path.name for path in out.iterdir()] == ["devices.json"]
    assert (out / "devices.json").read_text() == "the export of yesterday"


def test_a_restore_that_finds_no_room_keeps_the_lab(lab: Path, tmp_path: Path) -> None:
    """The lab that was to be replaced is still there, whole, and nothing half-restored is beside it."""
    archive = tmp_path / "lab.zip"
    assert main(["backup", str(archive), "--data", str(lab)]) == 0
    shutil.rmtree(lab / "files", ignore_errors=True)
    run_command(["restore", str(archive), "--force", "--data", str(lab)], tmp_path, largest_bytes=100_000)
    assert not [path for path in lab.iterdir() if "restoring" in path.name or "before" in path.name]
    assert main(["verify", "--data", str(lab)]) == 0
