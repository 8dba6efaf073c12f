"""`marver serve`: loopback only, schema up to date, one line where it cannot."""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from app.cli.main import main
from app.cli.serve import prepare
from app.settings import Settings


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def test_an_empty_folder_becomes_a_served_lab(tmp_path: Path) -> None:
    """The command makes the data folder, answers on loopback, and ends when it is told to."""
    port, folder = _free_port(), tmp_path / "lab"
    command = [sys.executable, "-m", "app.cli.main", "serve", "--data", str(folder), "--port", str(port)]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("MARVER_")}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as server:
        try:
            assert server.stdout is not None
            assert f"http://127.0.0.1:{port}" in server.stdout.readline()
            for path in ("alive", "ready"):
                with _open(f"http://127.0.0.1:{port}/{path}") as answer:
                    assert answer.status == 200
        finally:
            server.send_signal(signal.SIGINT)
            server.wait(20)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def _open(address: str) -> object:
    for _ in range(100):
        try:
            return urllib.request.urlopen(address)  # noqa: S310
        except ConnectionError:
            time.sleep(0.1)
        except urllib.error.URLError as why:
            if not isinstance(why.reason, ConnectionError):
                raise
            time.sleep(0.1)
    raise AssertionError(f"{address} does not answer")


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.4", "example.org"])  # noqa: S104
def test_only_this_machine_is_served(host: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Another address is refused in one line until there are accounts."""
    assert main(["serve", "--host", host]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "this machine only" in said


def test_a_taken_port_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """Two servers on one port: the second says so and ends."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        assert main(["serve", "--port", str(listener.getsockname()[1])]) == 2
    assert "is taken" in capsys.readouterr().err


def test_a_setting_that_cannot_be_is_said(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """A wrong environment is one line that names the setting."""
    monkeypatch.setenv("MARVER_ZONE", "Mars/Base")
    assert main(["serve"]) == 2
    assert "MARVER_ZONE" in capsys.readouterr().err


@pytest.mark.embedded
def test_a_lab_of_a_newer_marver_is_left_alone(settings: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    """A schema this version does not know is backed up, not touched, and named."""
    path = settings.data / "marver.sqlite"
    with sqlite3.connect(path) as lab:
        lab.execute("UPDATE alembic_version SET version_num = 'from_the_future'")
    lab.close()
    with pytest.raises(ValueError, match="newer Marver"):
        prepare(settings)
    assert list((settings.data / "backups").iterdir())
    capsys.readouterr()


def test_a_file_in_place_of_the_folder_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A data folder that is a file ends with one line."""
    (tmp_path / "lab").write_text("not a folder")
    assert main(["serve", "--data", str(tmp_path / "lab"), "--port", str(_free_port())]) == 2
    assert capsys.readouterr().err.count("\n") == 1
