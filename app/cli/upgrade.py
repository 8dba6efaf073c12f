"""`marver upgrade`: bring a lab's schema up to date without serving it."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from app.cli.trouble import told
from app.settings import BadSetting, read_settings


def add_parser(subparsers: Any) -> None:
    """`marver upgrade`."""
    parser = subparsers.add_parser(
        "upgrade",
        help="bring the schema up to date",
        description="Brings the schema up to date; an embedded database is backed up beside it first.",
        epilog="examples:\n  marver upgrade\n  marver upgrade --data lab",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--data", metavar="DIR", help="the lab's data folder (MARVER_DATA; else ./marver-data)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """0 when the schema is up to date, 2 with one line where it cannot be."""
    from sqlalchemy.exc import SQLAlchemyError

    from app.cli.serve import prepare
    from app.db import migrate
    from app.db.session import Database

    try:
        settings = read_settings().with_data(args.data)
    except BadSetting as why:
        return _refused(str(why))
    if not settings.database_url and not (settings.data / "marver.sqlite").is_file():
        return _refused(f"there is no lab in {settings.data}")
    database = Database(settings.url)
    try:
        before, newest = migrate.revision_of(database.engine), migrate.newest_revision(database.engine)
        prepare(settings)
    except (OSError, ValueError) as why:
        return _refused(told(why, settings=settings) or f"{settings.data}: {why}")
    except SQLAlchemyError as why:
        return _refused(told(why, settings=settings) or f"the database cannot be read: {str(why).splitlines()[0]}")
    finally:
        database.close()
    print("The schema is up to date." if before == newest else f"The schema was brought up to date ({newest}).")
    return 0


def _refused(why: str) -> int:
    print(f"marver upgrade: {why}", file=sys.stderr)
    return 2
