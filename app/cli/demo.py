"""`marver demo`: make the invented example lab in an empty data folder, and serve it."""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from app.cli.serve import BAD, DONE, HOST, PORT, cannot_listen, prepare, serve
from app.settings import BadSetting, Settings, read_settings

SIZES = ("small", "large")


class InUseError(ValueError):
    """The folder or database is in use; the text says by what, and what to do."""


def add_parser(subparsers: Any) -> None:
    """Describe the command's options."""
    parser = subparsers.add_parser(
        "demo",
        help="make the example lab and serve it",
        description="Makes an invented lab, half a year old, in an empty data folder, and serves it. It is always the "
        "same: only its dates are counted back from today, by whole weeks. Every Q in it is fitted by Marver from a "
        "stored scan file.",
        epilog="examples:\n  marver demo\n  marver demo --data example-lab --port 8010\n  marver demo --no-serve",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--data", metavar="DIR", help="data folder, new or empty (MARVER_DATA; else ./marver-data)")
    parser.add_argument("--port", type=int, default=PORT, help=f"port (default {PORT})")
    parser.add_argument("--no-serve", action="store_true", help="make it, and stop")
    parser.add_argument("--size", choices=SIZES, default="small", help="half a year, or four years (default small)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Make the lab, then serve it; 2 with one line where it cannot."""
    try:
        settings = read_settings().with_data(args.data)
        why_not = "" if args.no_serve else cannot_listen(HOST, args.port)
        if why_not:
            return _no(why_not)
        _make(settings, args.size)
    except (BadSetting, InUseError) as why:
        return _no(str(why))
    except OSError as why:
        return _no(f"{settings.data}: {why.strerror or why}")
    if args.no_serve:
        return DONE
    return serve(settings, HOST, args.port)


def _make(settings: Settings, size: str) -> None:
    """Make the lab beside its place and move it there when it is whole, so that a stopped one leaves no half lab."""
    target = settings.data
    _check_empty(target)
    target.parent.mkdir(parents=True, exist_ok=True)
    making = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        _fill(replace(settings, data=making), size)
        if target.exists():
            target.rmdir()
        making.replace(target)
    finally:
        shutil.rmtree(making, ignore_errors=True)


def _check_empty(folder: Path) -> None:
    if (folder / "marver.sqlite").exists():
        raise InUseError(f"{folder} holds a lab already; serve it with: marver serve --data {folder}")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InUseError(f"{folder} is not an empty folder; choose another with --data")


def _fill(settings: Settings, size: str) -> None:
    from app.actions.example.build import build
    from app.core.example.lab import example_lab
    from app.db import migrate
    from app.db.session import Database
    from app.files import FileStore

    with closing(Database(settings.url)) as database:
        if settings.database_url and migrate.revision_of(database.engine) is not None:
            raise InUseError("the database of MARVER_DATABASE_URL holds a lab already; serve it with: marver serve")
        prepare(settings)
        began = time.perf_counter()
        lab = example_lab(datetime.now(UTC).date(), size)
        build(database, FileStore(settings.files), lab, progress=_show)
    print(f"\r{lab.name}: {len(lab.happenings)} records in {time.perf_counter() - began:.0f} s" + " " * 20)


def _show(done: int, total: int) -> None:
    if sys.stdout.isatty() and done % 10 == 0:
        print(f"\rMaking the example lab: {100 * done // total} %", end="", flush=True)


def _no(why: str) -> int:
    print(f"marver demo: {why}", file=sys.stderr)
    return BAD
