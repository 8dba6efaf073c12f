"""What tests share: real databases built by the migrations, a client, a browser; no network but loopback."""

from __future__ import annotations

import ipaddress
import os
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page
    from starlette.testclient import TestClient

    from app.db.session import Database
    from app.settings import Settings

# The application is imported by the fixtures that need it: tests of the core start without it.

POSTGRES_URL = os.environ.get("MARVER_TEST_POSTGRES_URL", "")
BROWSER = os.environ.get("MARVER_TEST_BROWSER") == "1"
ON_POSTGRES = os.environ.get("MARVER_TEST_DATABASE") == "postgres"
"""The fixtures that give a lab give one on PostgreSQL, and only tests that use one are run."""
LAB_FIXTURES = {"settings", "database", "client", "live_server"}
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


# --- a run that must skip nothing -------------------------------------------------------------------------------


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    """With MARVER_TEST_NO_SKIP=1 a skipped test is a failed one, and says what it lacked."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("MARVER_TEST_NO_SKIP") == "1":
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped where nothing may be: {report.longrepr}"
    return report


# --- the same tests on PostgreSQL --------------------------------------------------------------------------------


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """With MARVER_TEST_DATABASE=postgres, leave out what has no lab, drives a browser or is about SQLite's file."""
    if not ON_POSTGRES:
        return
    wanted, left = [], []
    for item in items:
        has_lab = bool(LAB_FIXTURES & set(getattr(item, "fixturenames", ())))
        elsewhere = item.get_closest_marker("embedded") or item.get_closest_marker("browser")
        (wanted if has_lab and not elsewhere else left).append(item)
    items[:] = wanted
    config.hook.pytest_deselected(items=left)


# --- no network but loopback ------------------------------------------------------------------------------------


def _is_local(address: object) -> bool:
    if not isinstance(address, tuple):
        return True  # a Unix socket
    if address[0] in ("localhost", "testserver"):
        return True
    try:
        return ipaddress.ip_address(str(address[0])).is_loopback
    except ValueError:
        return False


@pytest.fixture(scope="session", autouse=True)
def _only_loopback() -> Iterator[None]:
    patch = pytest.MonkeyPatch()
    for name in ("connect", "connect_ex"):
        real = getattr(socket.socket, name)

        def guarded(self: socket.socket, address: Any, _real: Any = real) -> Any:
            if not _is_local(address):
                raise PermissionError(f"a test tried to reach {address!r}; only loopback is open")
            return _real(self, address)

        patch.setattr(socket.socket, name, guarded)
    yield
    patch.undo()


# --- databases --------------------------------------------------------------------------------------------------


def _migrate(url: str) -> None:
    from app.db.migrate import upgrade
    from app.db.session import Database

    database = Database(url)
    upgrade(database.engine)
    database.close()


@pytest.fixture(scope="session")
def _sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("template") / "marver.sqlite"
    _migrate(f"sqlite:///{path}")
    return path


@pytest.fixture
def data_folder(tmp_path: Path, _sqlite_template: Path) -> Path:
    """A data folder whose embedded database is migrated and empty."""
    folder = tmp_path / "lab"
    folder.mkdir(mode=0o700)
    for part in _sqlite_template.parent.iterdir():
        shutil.copy(part, folder / part.name)
    return folder


@pytest.fixture
def settings(request: pytest.FixtureRequest) -> Settings:
    """Settings of a fresh lab, on PostgreSQL with MARVER_TEST_DATABASE=postgres (commands find it too)."""
    from app.settings import Settings

    if not ON_POSTGRES:
        return Settings(data=request.getfixturevalue("data_folder"))
    url = request.getfixturevalue("postgres_url")
    request.getfixturevalue("monkeypatch").setenv("MARVER_DATABASE_URL", url)
    folder = request.getfixturevalue("tmp_path") / "lab"
    folder.mkdir(mode=0o700)
    return Settings(data=folder, database_url=url)


@pytest.fixture
def database(settings: Settings) -> Iterator[Database]:
    """A fresh, migrated lab on the database of `settings`."""
    from app.db.session import Database

    database = Database(settings.url)
    yield database
    database.close()


def _postgres_address(name: str) -> str:
    from sqlalchemy.engine import make_url

    return make_url(POSTGRES_URL).set(database=name).render_as_string(hide_password=False)


@pytest.fixture(scope="session")
def _postgres_template(worker_id: str) -> Iterator[str]:
    if not POSTGRES_URL:
        pytest.skip("needs PostgreSQL: set MARVER_TEST_POSTGRES_URL")
    import psycopg

    name = f"marver_template_{os.getpid()}_{worker_id}"
    url = _postgres_address(name)
    with psycopg.connect(POSTGRES_URL, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}" TEMPLATE template0')
        _migrate(url)
        yield name
        server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture
def postgres_url(_postgres_template: str) -> Iterator[str]:
    """The address of a fresh, migrated PostgreSQL database."""
    import psycopg

    name = f"{_postgres_template}_{time.monotonic_ns()}"
    with psycopg.connect(POSTGRES_URL, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}" TEMPLATE "{_postgres_template}"')
        yield _postgres_address(name)
        server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture
def postgres_database(postgres_url: str) -> Iterator[Database]:
    """A fresh, migrated lab on PostgreSQL; skipped unless MARVER_TEST_POSTGRES_URL names a server."""
    from app.db.session import Database

    database = Database(postgres_url)
    yield database
    database.close()


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def either_database(request: pytest.FixtureRequest) -> Database:
    """The same test on both databases."""
    return request.getfixturevalue("database" if request.param == "sqlite" else "postgres_database")


# --- the application --------------------------------------------------------------------------------------------


@pytest.fixture
def client(settings: Settings) -> Iterator[TestClient]:
    """A client of the application on the same lab as `database`."""
    from starlette.testclient import TestClient

    from app.web.app import create_app

    with TestClient(create_app(settings), base_url="http://127.0.0.1:8000", follow_redirects=False) as client:
        client.headers["Origin"] = "http://127.0.0.1:8000"
        yield client


@pytest.fixture
def live_server(settings: Settings) -> Iterator[str]:
    """The application served on a free loopback port; its address without a trailing slash."""
    import uvicorn

    from app.web.app import create_app

    listener = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(create_app(settings), log_level="warning", ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        if not thread.is_alive():
            raise RuntimeError("the server did not start")
        time.sleep(0.01)
    yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    server.should_exit = True
    thread.join()
    listener.close()


@pytest.fixture(scope="session")
def example_folder(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """The data folder of the small example lab, made once for all workers: only read it, or copy it first."""
    from app.cli.main import main

    base = tmp_path_factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / "example"
    try:
        (folder.parent / "example-claimed").mkdir()
    except FileExistsError:
        while not folder.exists():  # another worker is at it; the folder appears whole or not at all
            if (folder.parent / "example-failed").exists():
                pytest.fail("the example lab could not be made; another worker's log says why")
            time.sleep(0.2)
        return folder
    if main(["demo", "--data", str(folder), "--no-serve"]) != 0:
        (folder.parent / "example-failed").mkdir()
        pytest.fail("the example lab could not be made")
    return folder


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium, driven by Playwright; skipped unless MARVER_TEST_BROWSER=1."""
    if not BROWSER:
        pytest.skip("needs Chromium: set MARVER_TEST_BROWSER=1")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
        browser = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A browser page in a context of its own, which fails the test on a policy violation or a script error."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(f"script error: {error}"))
    page.on("console", lambda line: wrong.append(line.text) if "Content Security Policy" in line.text else None)
    yield page
    context.close()
    assert not wrong, wrong
