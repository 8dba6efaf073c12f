"""`marver export devices`: the device table as a file."""

from __future__ import annotations

import argparse
import json
import sys
from contextlib import closing
from importlib.metadata import version
from pathlib import Path
from typing import Any

from app.settings import BadSetting, Settings, read_settings

DONE, BAD = 0, 2
FORMATS = ("csv", "json", "parquet")


def add_parser(subparsers: Any) -> None:
    """Describe the command's options."""
    parser = subparsers.add_parser(
        "export",
        help="write the device table to a file",
        description="Writes one row a device: codes, sizes, settings of each step with the recipe versions, state at "
        "each stage, and Q. Instants are UTC; what is not known is blank (CSV) or null (JSON, Parquet). In CSV, text "
        "that a spreadsheet could take for a formula gets an apostrophe in front; numbers are left alone. In Parquet "
        "each column is typed and has label and unit in its field's metadata.",
        epilog="examples:\n  marver export devices --format csv -o devices.csv\n"
        "  marver export devices --format parquet -o devices.parquet\n"
        "  marver export devices --format json --data lab | head",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("what", choices=("devices",), help="what to write")
    parser.add_argument("--format", choices=FORMATS, default="csv", help="kind of file (default csv)")
    parser.add_argument("-o", "--output", metavar="F", type=Path, help="the file to write; else standard output")
    parser.add_argument("--data", metavar="DIR", help="data folder (MARVER_DATA; else ./marver-data)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the table; 2 with one line where the lab or the file is not as it should be."""
    try:
        settings = read_settings().with_data(args.data)
        if args.format == "parquet" and args.output is None and sys.stdout.isatty():
            return _no("Parquet is no text to read here; name a file with -o")
        _write(_content(settings, args.format), args.output)
    except (BadSetting, NoLabError) as why:
        return _no(str(why))
    except BrokenPipeError:
        raise
    except OSError as why:
        return _no(f"{args.output or 'standard output'} was not written: {why.strerror or why}")
    return DONE


class NoLabError(ValueError):
    """There is no lab to export, or its schema is of another version; the text says what to do."""


def _content(settings: Settings, kind: str) -> bytes:
    from app.core.csv_text import csv_text
    from app.db import migrate
    from app.db.session import Database
    from app.queries.device_export import device_rows
    from app.queries.history import head

    if not settings.database_url and not (settings.data / "marver.sqlite").is_file():
        raise NoLabError(f"there is no lab in {settings.data}; name its folder with --data")
    with closing(Database(settings.url)) as database:
        if migrate.revision_of(database.engine) != migrate.newest_revision(database.engine):
            raise NoLabError("the lab's schema is not this version's; run: marver upgrade")
        with database.reading() as session:
            table, last = device_rows(session), head(session)
    if kind == "parquet":
        from app.queries.device_parquet import parquet_bytes

        return parquet_bytes(
            table, {"made_by": f"Marver {version('marver')}", "last_change": f"{last.seq}:{last.hash}"}
        )
    if kind == "json":
        return (json.dumps(table.objects(), ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()
    return csv_text(table.header, table.cells()).encode()


def _write(content: bytes, path: Path | None) -> None:
    """Whole or not at all: a stopped export leaves the file as it was."""
    if path is None:
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
        return
    if path.is_dir():
        raise IsADirectoryError("it is a folder")
    making = path.with_name(f".{path.name}.part")
    try:
        making.write_bytes(content)
        making.replace(path)
    except OSError:
        making.unlink(missing_ok=True)
        raise


def _no(why: str) -> int:
    print(f"marver export: {why}", file=sys.stderr)
    return BAD
