"""The wheel: whole, and working from any folder without the checkout beside it."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
BUNDLED = ("static", "migrations", "seed_data")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel as the build system of pyproject.toml makes it."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    (made,) = folder.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def site(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which the wheel alone is installed; what it depends on is that of this environment."""
    folder = tmp_path_factory.mktemp("site")
    command = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index", "--no-compile"]
    subprocess.run([*command, "--target", str(folder), str(wheel)], check=True, capture_output=True)
    return folder


def environment(site: Path) -> dict[str, str]:
    """Where `app` is the installed one and nothing is set."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("MARVER_")}
    return {**kept, "PYTHONPATH": str(site), "PYTHONDONTWRITEBYTECODE": "1"}


def marver(site: Path, folder: Path, *words: str) -> str:
    """What a command of the installed Marver says, called in `folder`."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "app.cli.main", *words],
        cwd=folder,
        env=environment(site),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_everything_is_in_it_and_nothing_else(wheel: Path) -> None:
    """Code, templates, static files, migrations and what an empty lab starts with; no tests, no caches."""
    own = {path for path in (ROOT / "app").rglob("*") if path.is_file()}
    wanted = {path.relative_to(ROOT).as_posix() for path in own}
    for name in BUNDLED:
        files = [path for path in (ROOT / name).rglob("*") if path.is_file()]
        wanted |= {f"app/_bundled/{path.relative_to(ROOT).as_posix()}" for path in files}
    wanted = {name for name in wanted if "__pycache__" not in name}
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    assert names == wanted


def test_it_says_what_it_is(wheel: Path) -> None:
    """Name, Python, licence and command are those of the project; nobody's folder or index stands in it."""
    with zipfile.ZipFile(wheel) as archive:
        infos = {Path(name).name: archive.read(name).decode() for name in archive.namelist() if ".dist-info/" in name}
    about = Parser().parsestr(infos["METADATA"])
    assert about["Name"] == "marver"
    assert about["Requires-Python"] == ">=3.11"
    assert about["License-Expression"] == "MIT"
    assert infos["LICENSE"]
    assert "marver = app.cli.main:main" in infos["entry_points.txt"]
    assert str(ROOT) not in "".join(infos.values())


def test_it_serves_a_new_lab_from_any_folder(site: Path, tmp_path: Path) -> None:
    """Migrations, templates, style sheets, fonts and charts come from the installation."""
    where = marver_module(site, tmp_path)
    assert where.is_relative_to(site)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = int(listener.getsockname()[1])
    command = [sys.executable, "-m", "app.cli.main", "serve", "--port", str(port)]
    with subprocess.Popen(command, cwd=tmp_path, env=environment(site), stdout=subprocess.PIPE) as server:
        try:
            assert server.stdout is not None
            assert f":{port}".encode() in server.stdout.readline()
            pages = [fetched(port, path) for path in ("/ready", "/", "/lab", "/history", "/yield", "/recipes")]
            sheets = {part.partition('"')[0] for page in pages for part in page.split('href="')[1:]}
            for sheet in sorted(each for each in sheets if each.startswith("/static/")):
                fetched(port, sheet)
        finally:
            server.terminate()
            server.wait(20)
    assert (tmp_path / "marver-data" / "marver.sqlite").is_file()


def marver_module(site: Path, folder: Path) -> Path:
    """Where `app` comes from, seen from `folder`."""
    command = [sys.executable, "-c", "import app; print(app.__file__)"]
    done = subprocess.run(command, cwd=folder, env=environment(site), capture_output=True, text=True, check=True)
    return Path(done.stdout.strip())


def fetched(port: int, path: str) -> str:
    """A page that must be there."""
    for _ in range(100):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}") as answer:
                assert answer.status == 200
                return str(answer.read().decode(errors="replace"))
        except urllib.error.URLError as why:
            if not isinstance(why.reason, ConnectionError):
                raise
            time.sleep(0.1)
    raise AssertionError(f"{path} is not served")


def test_its_commands_work_on_the_example_lab(site: Path, example_folder: Path, tmp_path: Path) -> None:
    """Checking, exporting and fitting, each called from a folder that holds nothing of Marver."""
    lab = tmp_path / "lab"
    shutil.copytree(example_folder, lab)
    assert marver(site, tmp_path, "verify", "--data", str(lab)).endswith("Sound.\n")
    rows = json.loads(marver(site, tmp_path, "export", "devices", "--format", "json", "--data", str(lab)))
    assert len(rows) > 900
    assert "demo" in marver(site, tmp_path, "--help")
