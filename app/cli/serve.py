"""`marver serve`: bring the schema up to date, then serve the lab on this machine."""

from __future__ import annotations

import argparse
import os
import socket
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from app.cli.trouble import told
from app.settings import LOOPBACK, BadSetting, Settings, read_settings

HOST, PORT = "127.0.0.1", 8000
DONE, BAD = 0, 2


def add_parser(subparsers: Any) -> None:
    """Describe the command's options."""
    parser = subparsers.add_parser(
        "serve",
        help="serve a lab on this machine",
        description="Brings the schema up to date (an embedded database after a backup) and serves the lab.",
        epilog="examples:\n  marver serve\n  marver serve --data ~/lab --port 8010",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--data", metavar="DIR", help="data folder (MARVER_DATA; else ./marver-data)")
    parser.add_argument("--host", default=HOST, help=f"address to listen on, of this machine only (default {HOST})")
    parser.add_argument("--port", type=int, default=PORT, help=f"port (default {PORT})")
    parser.add_argument("--workers", type=int, default=1, help="processes (default 1)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until stopped; 0 when stopped, 2 with one line where it cannot."""
    try:
        settings = read_settings().with_data(args.data)
    except BadSetting as why:
        return _no(str(why))
    return serve(settings, args.host, args.port, args.workers)


def serve(settings: Settings, host: str = HOST, port: int = PORT, workers: int = 1) -> int:
    """Bring the lab of `settings` up to date and serve it."""
    why_not = cannot_listen(host, port, workers)
    if why_not:
        return _no(why_not)
    try:
        prepare(settings)
    except (OSError, ValueError) as why:
        return _no(told(why, settings=settings) or f"{settings.data}: {why}")
    _listen(settings, host, port, workers)
    return DONE


def cannot_listen(host: str, port: int, workers: int = 1) -> str:
    """Why nothing can be served there; empty where it can."""
    if host not in LOOPBACK:
        return f"{host}: Marver listens on this machine only ({', '.join(LOOPBACK)}) until it has accounts"
    if not 1 <= port <= 65535 or not 1 <= workers <= 64:
        return "a port is 1 to 65535, workers are 1 to 64"
    return "" if _free(host, port) else f"port {port} is taken; choose another with --port"


def prepare(settings: Settings) -> None:
    """Make the data folder (0700) and bring the schema up to date, after a backup of an embedded database.

    ValueError where the database was made by a newer Marver.
    """
    from alembic.util import CommandError

    from app.db import migrate
    from app.db.session import Database

    settings.data.mkdir(parents=True, exist_ok=True, mode=0o700)
    if settings.data.stat().st_mode & 0o077:  # others may look in; the owner's own rights stay as they are
        settings.data.chmod(settings.data.stat().st_mode & 0o700)
    with closing(Database(settings.url)) as database:
        before, newest = migrate.revision_of(database.engine), migrate.newest_revision(database.engine)
        if before == newest:
            return
        if before is not None and database.embedded and database.engine.url.database:
            copy = _back_up(Path(database.engine.url.database), settings.data / "backups", before)
            print(f"Backed up to {copy} before bringing the schema up to date.", file=sys.stderr)
        try:
            migrate.upgrade(database.engine)
        except CommandError as why:
            raise ValueError(f"this lab was made by a newer Marver (schema {before}); install that one") from why


def from_environment() -> Any:
    """The application a worker process serves; its settings come from the environment."""
    from app.web.app import create_app

    return create_app(read_settings())


def _listen(settings: Settings, host: str, port: int, workers: int) -> None:
    import uvicorn

    shown = f"[{host}]" if ":" in host else host
    print(f"Marver serves {settings.data} at http://{shown}:{port}  (stop with Ctrl C)", flush=True)
    quiet: dict[str, Any] = {"log_level": "warning", "server_header": False, "proxy_headers": False}
    if workers == 1:
        from app.web.app import create_app

        uvicorn.run(create_app(settings), host=host, port=port, **quiet)
        return
    with _environment(MARVER_DATA=str(settings.data), MARVER_DATABASE_URL=settings.database_url):
        uvicorn.run("app.cli.serve:from_environment", factory=True, host=host, port=port, workers=workers, **quiet)


@contextmanager
def _environment(**settings: str) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in settings}
    os.environ.update(settings)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _back_up(database: Path, folder: Path, revision: str) -> Path:
    """A consistent copy of an embedded database, also while it is served."""
    folder.mkdir(mode=0o700, exist_ok=True)
    copy = folder / f"before-upgrade-from-{revision}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.sqlite"
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    return copy


def _free(host: str, port: int) -> bool:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def _no(why: str) -> int:
    print(f"marver serve: {why}", file=sys.stderr)
    return BAD
