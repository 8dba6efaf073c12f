"""`marver demo`: make the invented example lab in an empty data folder, and serve it."""

from __future__ import annotations

import argparse
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Event, current_thread, main_thread
from typing import Any

from app.cli.serve import BAD, DONE, HOST, PORT, cannot_listen, prepare, serve
from app.settings import BadSetting, Settings, read_settings

STOPPED = 130
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
    except KeyboardInterrupt:
        print("\nmarver demo: stopped; nothing was kept.", file=sys.stderr)
        return STOPPED
    if args.no_serve:
        return DONE
    return serve(settings, HOST, args.port)


def _make(settings: Settings, size: str) -> None:
    """Make the lab beside its place and move it there when it is whole, so that a stopped one leaves no half lab."""
    target = settings.data
    _check_empty(target)
    target.parent.mkdir(parents=True, exist_ok=True)
    with _stop_between_deeds() as stop:
        making = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
        try:
            _fill(replace(settings, data=making), size, stop)
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


def _fill(settings: Settings, size: str, stop: Event) -> None:
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

        def progress(done: int, total: int) -> None:
            if stop.is_set():
                raise KeyboardInterrupt
            _show(done, total)

        try:
            build(database, FileStore(settings.files), lab, progress=progress)
        except BrokenExecutor:
            if stop.is_set():  # the same signal ended the processes that fit
                raise KeyboardInterrupt from None
            raise
    print(f"\r{lab.name}: {len(lab.happenings)} records in {time.perf_counter() - began:.0f} s" + " " * 20)


@contextmanager
def _stop_between_deeds() -> Iterator[Event]:
    """Ctrl C and the system's own request to end wait for the deed that is being saved."""
    asked = Event()
    if current_thread() is not main_thread():  # only the main thread may say what a signal does
        yield asked
        return
    before = {number: signal.signal(number, lambda *_: asked.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _show(done: int, total: int) -> None:
    if sys.stdout.isatty() and done % 10 == 0:
        print(f"\rMaking the example lab: {100 * done // total} %", end="", flush=True)


def _no(why: str) -> int:
    print(f"marver demo: {why}", file=sys.stderr)
    return BAD
