"""`marver verify`: is the lab as its deeds say? Audit chain, records, stored files, device table."""

from __future__ import annotations

import argparse
import re
import sys
from typing import Any

from app.cli.trouble import told
from app.settings import BadSetting, read_settings

SOUND, FAULTY, BAD = 0, 1, 2


def add_parser(subparsers: Any) -> None:
    """`marver verify`."""
    parser = subparsers.add_parser(
        "verify",
        help="check audit chain, checksums and projection against the records",
        description="Works out every hash of the audit chain again, compares each record with what the deeds say of "
        "it, each stored file with its checksum and the device table with the records. Prints the number and hash "
        "of the last change; note them elsewhere and give them as --anchor later, and a chain cut short shows.",
        epilog="examples:\n  marver verify\n  marver verify --data lab --anchor 1092:4be1…",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--data", metavar="DIR", help="the lab's data folder (MARVER_DATA; else ./marver-data)")
    parser.add_argument("--anchor", metavar="SEQ:HASH", help="number and hash of an entry that must still be there")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """0 where the lab is sound, 1 with a line for each fault, 2 where it cannot be looked at."""
    from sqlalchemy.exc import SQLAlchemyError

    from app.db import migrate
    from app.db.session import Database
    from app.files import FileStore
    from app.queries.verify import Anchor, verify

    try:
        settings = read_settings().with_data(args.data)
    except BadSetting as why:
        return _refused(str(why))
    anchor = None
    if args.anchor is not None:
        found = re.fullmatch(r"([0-9]{1,12}):([0-9a-fA-F]{64})", args.anchor.strip())
        if found is None:
            return _refused(f"“{args.anchor}” is no anchor: write the number, a colon and the 64 digits of the hash")
        anchor = Anchor(int(found[1]), found[2].lower())
    if not settings.database_url and not (settings.data / "marver.sqlite").is_file():
        return _refused(f"there is no lab in {settings.data}")
    database = Database(settings.url)
    try:
        if migrate.revision_of(database.engine) != migrate.newest_revision(database.engine):
            return _refused("the schema is not that of this Marver: run `marver upgrade` first")
        result = verify(database, FileStore(settings.files), anchor)
    except SQLAlchemyError as why:
        return _refused(told(why, settings=settings) or f"the database cannot be read: {str(why).splitlines()[0]}")
    finally:
        database.close()
    for fault in result.faults:
        print(f"fault: {fault}")
    print(
        f"{result.deeds} deeds, {result.records} records, {result.files} files; last change {result.seq}:{result.hash}"
    )
    if result.faults:
        count = len(result.faults)
        print(f"marver verify: {'one fault' if count == 1 else f'{count} faults'} found", file=sys.stderr)
        return FAULTY
    print("Sound.")
    return SOUND


def _refused(why: str) -> int:
    print(f"marver verify: {why}", file=sys.stderr)
    return BAD
