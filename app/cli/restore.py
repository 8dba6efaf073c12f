"""`marver restore F`: a lab out of a backup, verified before anything is replaced."""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.settings import BadSetting, Settings, read_settings

if TYPE_CHECKING:
    from app.db.session import Database


def add_parser(subparsers: Any) -> None:
    """`marver restore`."""
    parser = subparsers.add_parser(
        "restore",
        help="make a lab from a backup, verified first",
        description="Checks the archive, loads it beside the present lab, verifies it there, and only then puts it in "
        "place. A folder that holds a lab is refused without --force; with it, the old database is kept beside.",
        epilog="Example: marver restore lab-2026-03-01.zip --data restored",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("file", type=Path, help="an archive written by marver backup")
    parser.add_argument("--data", help="the lab's data folder (or MARVER_DATA)")
    parser.add_argument("--force", action="store_true", help="replace the lab that is there")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Restore; 1 where the archive's records do not hold, 2 where it cannot be used or may not replace a lab."""
    from app.db.archive import BadArchive

    try:
        settings = read_settings().with_data(args.data)
        if settings.database_url:
            return _into_server(args.file, settings, force=args.force)
        return _into_folder(args.file, settings, force=args.force)
    except (BadSetting, BadArchive) as why:
        return _refused(str(why), 2)


def _into_folder(source: Path, settings: Settings, *, force: bool) -> int:
    place = settings.data / "marver.sqlite"
    if place.exists() and not force:
        return _refused(f"{settings.data} holds a lab; nothing was changed. --force replaces it.", 2)
    settings.data.mkdir(parents=True, exist_ok=True, mode=0o700)
    with tempfile.TemporaryDirectory(prefix=".restoring-", dir=settings.data) as scratch:
        fresh = Path(scratch) / "marver.sqlite"
        faults = _load(source, f"sqlite:///{fresh}", settings)
        if faults:
            return _refused(f"{source} does not hold: {faults[0]} Nothing was changed.", 1)
        if place.exists():
            kept = settings.data / f"marver.before-{datetime.now(UTC):%Y%m%d-%H%M%S}.sqlite"
            _move_database(place, kept)
            print(f"The lab that was here is kept as {kept.name}.")
        _move_database(fresh, place)
    print(f"{settings.data} holds the lab of {source}.")
    return 0


def _into_server(source: Path, settings: Settings, *, force: bool) -> int:
    from app.db.migrate import downgrade
    from app.db.session import Database

    database = Database(settings.url)
    try:
        used = _holds_a_lab(database)
        if used and not force:
            return _refused("the database holds a lab; nothing was changed. --force replaces it.", 2)
        # Verified in an embedded database first: on the server nothing is replaced by what does not hold.
        with tempfile.TemporaryDirectory(prefix="marver-restore-") as scratch:
            faults = _load(source, f"sqlite:///{Path(scratch) / 'marver.sqlite'}", settings)
        if faults:
            return _refused(f"{source} does not hold: {faults[0]} Nothing was changed.", 1)
        if used:
            downgrade(database.engine)
    finally:
        database.close()
    faults = _load(source, settings.url, settings)
    if faults:
        return _refused(f"the restored lab does not hold: {faults[0]}", 1)
    print(f"The database holds the lab of {source}.")
    return 0


def _holds_a_lab(database: Database) -> bool:
    from sqlalchemy import select

    from app.db.migrate import revision_of
    from app.db.models.audit import AuditEntry

    if revision_of(database.engine) is None:
        return False
    with database.reading() as session:
        return session.scalar(select(AuditEntry.seq).limit(1)) is not None


def _load(source: Path, url: str, settings: Settings) -> list[str]:
    """Load into an empty database; the faults that verifying it finds."""
    from app.db.archive import load_archive
    from app.db.migrate import upgrade
    from app.db.session import Database
    from app.files import FileStore
    from app.queries.verify import verify

    database = Database(url)
    try:
        upgrade(database.engine)
        files = FileStore(settings.files)
        load_archive(source, database.engine, files)
        return list(verify(database, files).faults)
    finally:
        database.close()


def _move_database(old: Path, new: Path) -> None:
    """Move an embedded database with what stands beside it."""
    for ending in ("-wal", "-shm", ""):
        part = old.with_name(old.name + ending)
        if part.exists():
            shutil.move(part, new.with_name(new.name + ending))


def _refused(why: str, code: int) -> int:
    print(f"marver restore: {why}", file=sys.stderr)
    return code
