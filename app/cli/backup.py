"""`marver backup F`: the whole lab as one file, consistent while serving."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from app.settings import BadSetting, read_settings


def add_parser(subparsers: Any) -> None:
    """`marver backup`."""
    parser = subparsers.add_parser(
        "backup",
        help="write the whole lab to one file, also while it is served",
        description="Writes every record and every stored file to one archive, from one moment, also while serving. "
        "Prints the number and hash of the last change, which `marver verify --anchor` compares.",
        epilog="Example: marver backup lab-2026-03-01.zip --data lab",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("file", type=Path, help="the archive to write; must not exist yet")
    parser.add_argument("--data", help="the lab's data folder (or MARVER_DATA)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the archive; 2 where the lab or the file is not as it should be."""
    from app.db.archive import write_archive
    from app.db.session import Database
    from app.files import DamagedFile, FileStore

    try:
        settings = read_settings().with_data(args.data)
    except BadSetting as why:
        return _refused(str(why))
    if not settings.database_url and not (settings.data / "marver.sqlite").is_file():
        return _refused(f"there is no lab in {settings.data}.")
    if args.file.exists():
        return _refused(f"{args.file} exists already; choose another name.")
    database = Database(settings.url)
    try:
        with database.reading() as session:
            manifest = write_archive(session, FileStore(settings.files), args.file)
    except (OSError, DamagedFile) as why:
        return _refused(f"{args.file} was not written: {why}.")
    finally:
        database.close()
    rows = sum(manifest.rows.values())
    print(f"{args.file}: {rows} rows, last change {manifest.seq}:{manifest.hash}")
    return 0


def _refused(why: str) -> int:
    print(f"marver backup: {why}", file=sys.stderr)
    return 2
