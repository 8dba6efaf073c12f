"""docker-compose.yml: checked as it stands, and every command in it run here without Docker."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import psycopg
import pytest
import yaml
from sqlalchemy.engine import URL, make_url

from tests.conftest import POSTGRES_URL

ROOT = Path(__file__).resolve().parents[2]
PASSWORD = "${MARVER_DB_PASSWORD}"  # noqa: S105


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    """The file, read."""
    read: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text(encoding="utf-8"))
    return read


def image(compose: dict[str, Any]) -> list[tuple[str, str]]:
    """The lines of the application's image: (instruction, rest)."""
    text = re.sub(r"\\\n\s*", "", compose["services"]["marver"]["build"]["dockerfile_inline"])
    return [(line.split(maxsplit=1)[0], line.split(maxsplit=1)[1]) for line in text.strip().splitlines()]


def image_environment(compose: dict[str, Any]) -> dict[str, str]:
    """What the image and the service set."""
    told = dict(part.split("=", 1) for name, rest in image(compose) if name == "ENV" for part in shlex.split(rest))
    return {**told, **compose["services"]["marver"]["environment"]}


def test_the_two_services_fit_each_other(compose: dict[str, Any]) -> None:
    """The application waits for a healthy database and finds it: same user, database, port and password."""
    database, marver = compose["services"]["database"], compose["services"]["marver"]
    assert set(compose["services"]) == {"database", "marver"}
    assert marver["depends_on"] == {"database": {"condition": "service_healthy"}}
    address = make_url(image_environment(compose)["MARVER_DATABASE_URL"])
    assert address.drivername == "postgresql"
    assert (address.username, address.database) == tuple(
        database["environment"][name] for name in ("POSTGRES_USER", "POSTGRES_DB")
    )
    assert f"127.0.0.1:{address.port}:5432" in database["ports"]
    assert marver["environment"]["PGPASSWORD"] == PASSWORD
    assert database["environment"]["POSTGRES_PASSWORD"].startswith("${MARVER_DB_PASSWORD:?")
    assert int(database["image"].partition(":")[2]) >= 14


def test_what_must_last_is_on_a_volume(compose: dict[str, Any]) -> None:
    """The database's files and the stored files outlive their containers."""
    volumes = set(compose["volumes"])
    database, marver = (compose["services"][name]["volumes"] for name in ("database", "marver"))
    assert {each.partition(":")[0] for each in (*database, *marver)} == volumes
    assert [each.partition(":")[2] for each in marver] == [image_environment(compose)["MARVER_DATA"]]
    assert database[0].endswith(":/var/lib/postgresql/data")


def test_nothing_listens_but_on_loopback(compose: dict[str, Any]) -> None:
    """Until there are accounts no other machine gets in: ports are bound to loopback, and so is the server."""
    assert all(port.startswith("127.0.0.1:") for port in compose["services"]["database"]["ports"])
    assert compose["services"]["marver"]["network_mode"] == "host"
    assert "--host" not in dict(image(compose))["CMD"]


def test_the_image_is_made_from_what_is_there(compose: dict[str, Any], tmp_path: Path) -> None:
    """It copies the checkout, installs it with the constraints that lie in it, and runs as nobody in particular."""
    lines = image(compose)
    assert [name for name, _ in lines] == ["FROM", "COPY", "RUN", "RUN", "USER", "ENV", "CMD"]
    minor = int(re.fullmatch(r"python:3\.(\d+)-slim", lines[0][1])[1])  # type: ignore[index]
    assert minor >= 11
    install = shlex.split(lines[2][1].partition("&&")[0])
    assert install[:2] == ["pip", "install"]
    copied = {word.removeprefix("/src") for word in install if word.startswith("/src")}
    assert all((ROOT / word.strip("/")).exists() for word in copied)
    assert "/constraints.txt" in copied
    # Every option of that line is one pip knows, and it would find nothing to mend.
    checked = [word.replace("/src", str(ROOT), 1) if word.startswith("/src") else word for word in install[1:]]
    command = [
        sys.executable,
        "-m",
        "pip",
        *checked,
        "--dry-run",
        "--no-deps",
        "--no-index",
        "--no-build-isolation",
        "-q",
    ]
    subprocess.run(command, check=True, cwd=tmp_path, capture_output=True)
    assert dict(lines)["USER"] == "1000:1000"


def test_the_data_folder_is_the_users_own(compose: dict[str, Any], tmp_path: Path) -> None:
    """The command that makes it, run here on another path: only its user may look in."""
    (command,) = (rest for name, rest in image(compose) if name == "RUN" and rest.startswith("install "))
    words = shlex.split(command)
    assert words[-1] == image_environment(compose)["MARVER_DATA"]
    user, group = dict(image(compose))["USER"].split(":")
    assert words[words.index("-o") + 1] == user
    assert words[words.index("-g") + 1] == group
    if os.geteuid() != 0:  # only root may give a folder away
        words[words.index("-o") + 1], words[words.index("-g") + 1] = str(os.geteuid()), str(os.getegid())
    subprocess.run([*words[:-1], str(tmp_path / "data")], check=True)
    made = (tmp_path / "data").stat()
    assert made.st_mode & 0o777 == 0o700
    assert str(made.st_uid) == words[words.index("-o") + 1]


@pytest.fixture
def empty_database() -> Any:
    """The address of a new, empty database on the tests' server."""
    if not POSTGRES_URL:
        pytest.skip("needs PostgreSQL: set MARVER_TEST_POSTGRES_URL")
    name = f"marver_compose_{os.getpid()}_{time.monotonic_ns()}"
    with psycopg.connect(POSTGRES_URL, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}" TEMPLATE template0')
        yield make_url(POSTGRES_URL).set(database=name)
        server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.mark.postgres
def test_the_health_check_finds_the_database(compose: dict[str, Any], empty_database: URL) -> None:
    """Its command, run against the tests' server, says yes; against a port where none is, no."""
    kind, command = compose["services"]["database"]["healthcheck"]["test"]
    assert kind == "CMD-SHELL"
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    folders = os.pathsep.join([*map(str, found), os.environ["PATH"]])
    assert shutil.which(shlex.split(command)[0], path=folders)
    environment = {"PATH": folders, "PGHOST": str(empty_database.host), "PGPORT": str(empty_database.port)}
    assert subprocess.run(["sh", "-c", command], env=environment, capture_output=True, check=False).returncode == 0
    environment["PGPORT"] = "1"
    assert subprocess.run(["sh", "-c", command], env=environment, capture_output=True, check=False).returncode != 0


@pytest.mark.postgres
def test_the_image_serves_a_lab_on_postgresql(compose: dict[str, Any], empty_database: URL, tmp_path: Path) -> None:
    """Its command, with its environment on the tests' server: the schema is made there, and the lab is ready."""
    command = yaml.safe_load(dict(image(compose))["CMD"])
    assert command[0] == "marver"
    command[0] = str(Path(sys.executable).parent / "marver")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = int(listener.getsockname()[1])
    command[command.index("--port") + 1] = str(port)
    told = image_environment(compose)
    address = make_url(told["MARVER_DATABASE_URL"]).set(
        username=empty_database.username,
        host=empty_database.host,
        port=empty_database.port,
        database=empty_database.database,
    )
    environment = {
        "PATH": os.environ["PATH"],
        "HOME": str(tmp_path),
        "MARVER_DATA": str(tmp_path / "data"),
        "MARVER_DATABASE_URL": address.render_as_string(hide_password=False),
        "PGPASSWORD": empty_database.password or "",
    }
    assert set(environment) == {"PATH", *told}
    with subprocess.Popen(command, cwd=tmp_path, env=environment, stdout=subprocess.PIPE) as server:
        try:
            assert server.stdout is not None
            assert f":{port}".encode() in server.stdout.readline()
            assert answers(port, "/ready")
            assert answers(port, "/")
        finally:
            server.terminate()
            server.wait(20)
    assert not (tmp_path / "data" / "marver.sqlite").exists()
    with psycopg.connect(empty_database.render_as_string(hide_password=False)) as connection:
        assert connection.execute("SELECT count(*) FROM alembic_version").fetchone() == (1,)


def answers(port: int, path: str) -> bool:
    """Whether the page is there, once the server is."""
    for _ in range(100):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}") as answer:
                return bool(answer.status == 200)
        except urllib.error.URLError as why:
            if not isinstance(why.reason, ConnectionError):
                raise
            time.sleep(0.1)
    return False
