"""A lab as one file: every record and every stored file, the same from either database and into either.

A zip archive of `manifest.json` (schema revision, head of the audit chain, counts, checksums), `tables/NAME.jsonl`
(one row a line, canonical JSON) and `files/SHA256`. The device table is not in it: it is rebuilt.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Column, Connection, Engine, Table, func, insert, select, text, update
from sqlalchemy.orm import Session

from app.db import device_table, migrate
from app.db.audit import canonical
from app.db.base import Instant
from app.db.models.audit import AuditEntry
from app.db.models.facts import DEVICE_FACTS, DEVICE_Q, PIECE_FACTS
from app.db.models.seen import Attachment
from app.db.schema import metadata
from app.files import FileStore

FORMAT = "marver-lab-1"
ROWS_AT_ONCE = 500
LARGEST_MEMBER = 4 * 1024**3
PROJECTED = frozenset({PIECE_FACTS.name, DEVICE_FACTS.name, DEVICE_Q.name})

Tell = Callable[[str], None]


class BadArchive(Exception):  # noqa: N818  names what was found, as Refusal does
    """A file that is no sound archive of a lab; the text says what is wrong with it."""


@dataclass(frozen=True)
class Manifest:
    """What an archive says of itself."""

    revision: str
    made_at: str
    seq: int
    hash: str
    rows: dict[str, int]
    checksums: dict[str, str]


def tables() -> list[Table]:
    """Every table of records, in an order in which rows can be added."""
    return [table for table in metadata.sorted_tables if table.name not in PROJECTED]


def write_archive(session: Session, files: FileStore, target: Path) -> Manifest:
    """Write the lab to `target` from one snapshot; nothing stands under that name until it is whole."""
    partial = target.with_name(f".{target.name}.partial")
    checksums: dict[str, str] = {}
    rows: dict[str, int] = {}
    try:
        with zipfile.ZipFile(partial, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive:
            for table in tables():
                name = f"tables/{table.name}.jsonl"
                rows[table.name], checksums[name] = _write_table(session, table, archive, name)
            for digest in session.scalars(select(Attachment.sha256).distinct().order_by(Attachment.sha256)):
                archive.writestr(f"files/{digest}", files.get(digest))
                checksums[f"files/{digest}"] = digest
            manifest = _manifest(session, rows, checksums)
            archive.writestr("manifest.json", json.dumps({"format": FORMAT, **vars(manifest)}, indent=1))
        partial.replace(target)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise
    return manifest


def _write_table(session: Session, table: Table, archive: zipfile.ZipFile, name: str) -> tuple[int, str]:
    digest, count = hashlib.sha256(), 0
    statement = select(table).order_by(*table.primary_key.columns)
    with archive.open(name, "w", force_zip64=True) as member:
        for row in session.execute(statement, execution_options={"yield_per": ROWS_AT_ONCE}).mappings():
            line = (canonical(dict(row)) + "\n").encode()
            digest.update(line)
            member.write(line)
            count += 1
    return count, digest.hexdigest()


def _manifest(session: Session, rows: dict[str, int], checksums: dict[str, str]) -> Manifest:
    head = session.execute(
        select(AuditEntry.seq, AuditEntry.hash).order_by(AuditEntry.seq.desc()).limit(1)
    ).one_or_none()
    engine = session.get_bind()
    return Manifest(
        revision=migrate.revision_of(engine.engine) or "",
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        seq=head.seq if head else 0,
        hash=head.hash if head else "",
        rows=rows,
        checksums=checksums,
    )


def check_archive(source: Path) -> Manifest:
    """The archive's manifest after every member was checked against it; BadArchive says what is wrong."""
    try:
        with zipfile.ZipFile(source) as archive:
            manifest = _read_manifest(archive)
            members = {info.filename: info for info in archive.infolist()}
            for name, checksum in manifest.checksums.items():
                if name not in members:
                    raise BadArchive(f"{source.name} lacks {name}.")
                if members[name].file_size > LARGEST_MEMBER:
                    raise BadArchive(f"{name} in {source.name} is larger than {LARGEST_MEMBER} bytes.")
                if _digest(archive, name) != checksum:
                    raise BadArchive(f"{name} in {source.name} does not match its checksum.")
            return manifest
    except (zipfile.BadZipFile, OSError) as why:
        raise BadArchive(f"{source} is not an archive of a lab: {why}.") from why


def _read_manifest(archive: zipfile.ZipFile) -> Manifest:
    try:
        known = json.loads(archive.read("manifest.json"))
        if known.pop("format") != FORMAT:
            raise BadArchive("the archive is of another format.")
        return Manifest(**known)
    except (KeyError, TypeError, ValueError, AttributeError) as why:
        raise BadArchive("the archive has no manifest of a lab.") from why


def _digest(archive: zipfile.ZipFile, name: str) -> str:
    digest = hashlib.sha256()
    with archive.open(name) as member:
        while block := member.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def load_archive(source: Path, engine: Engine, files: FileStore) -> Manifest:
    """Load a checked archive into an empty, migrated database and a file store, then rebuild the device table."""
    manifest = check_archive(source)
    newest = migrate.revision_of(engine)
    if manifest.revision != newest:
        raise BadArchive(f"{source.name} has schema {manifest.revision}, this database {newest}: upgrade first.")
    with zipfile.ZipFile(source) as archive:
        for name in manifest.checksums:
            if name.startswith("files/"):
                files.put(archive.read(name))
        with engine.begin() as connection:
            for table in tables():
                _load_table(connection, table, _lines(archive, table.name))
            for table, column in late_references():
                _load_late(connection, table, column, _lines(archive, table.name))
            set_sequences(connection)
    with Session(engine) as session:
        device_table.rebuild(session)
        session.commit()
    return manifest


def _lines(archive: zipfile.ZipFile, table: str) -> Iterator[dict[str, Any]]:
    with archive.open(f"tables/{table}.jsonl") as member:
        for line in member:
            yield json.loads(line)


def late_references() -> list[tuple[Table, Column[Any]]]:
    """Columns that refer to a table added later (two tables name each other): filled in a second pass."""
    return [
        (table, next(iter(constraint.columns)))
        for table in tables()
        for constraint in table.foreign_key_constraints
        if constraint.use_alter
    ]


def _load_table(connection: Connection, table: Table, rows: Iterator[dict[str, Any]]) -> None:
    late = {column.name for other, column in late_references() if other is table}
    waiting: list[dict[str, Any]] = []
    for row in rows:
        waiting.append({**_typed(table, row), **dict.fromkeys(late)})
        if len(waiting) == ROWS_AT_ONCE:
            connection.execute(insert(table), waiting)
            waiting = []
    if waiting:
        connection.execute(insert(table), waiting)


def _load_late(connection: Connection, table: Table, column: Column[Any], rows: Iterator[dict[str, Any]]) -> None:
    for row in rows:
        if row[column.name] is not None:
            connection.execute(update(table).where(table.c.id == row["id"]).values({column.name: row[column.name]}))


def _typed(table: Table, row: dict[str, Any]) -> dict[str, Any]:
    return {
        name: datetime.fromisoformat(value) if value is not None and isinstance(table.c[name].type, Instant) else value
        for name, value in row.items()
    }


def set_sequences(connection: Connection) -> None:
    """After rows came with their ids: let PostgreSQL count on from the highest."""
    if connection.dialect.name != "postgresql":
        return
    for table in tables():
        key = next(iter(table.primary_key.columns))
        if key.autoincrement is not False and key.type.python_type is int:
            highest = connection.scalar(select(func.max(key)))
            if highest is not None:
                sequence = connection.scalar(
                    text("SELECT pg_get_serial_sequence(:table, :column)"), {"table": table.name, "column": key.name}
                )
                if sequence:
                    connection.execute(text("SELECT setval(:name, :value)"), {"name": sequence, "value": highest})
