"""Whether a lab is sound: audit chain, rows against what the deeds say of them, files, device table."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy import text as sql
from sqlalchemy.orm import Session

from app.db import device_table
from app.db.audit import BULK_TABLE, GENESIS, UNAUDITED, canonical, entry_hash, row_identity, row_values
from app.db.base import Base
from app.db.models.audit import AuditChange, AuditEntry
from app.db.models.seen import Attachment
from app.db.session import ADVISORY_LOCK, Database
from app.files import DamagedFile, FileStore

ROWS_AT_ONCE = 500
Row = tuple[str, str]
"""(table, id) of a record."""


@dataclass(frozen=True)
class Anchor:
    """Number and hash of an entry, noted elsewhere: what came before it can then not be cut off unseen."""

    seq: int
    hash: str


@dataclass(frozen=True)
class Verified:
    """Counts, the head of the chain, and every fault in words; sound where there is none."""

    deeds: int
    records: int
    files: int
    seq: int
    hash: str
    faults: tuple[str, ...]


@dataclass
class _Told:
    """What the audit entries say: the last text of each record, and its first where it was told in bulk."""

    last: dict[Row, str] = field(default_factory=dict)
    first: dict[Row, str] = field(default_factory=dict)
    bulk: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    in_bulk: set[Row] = field(default_factory=set)


def verify(database: Database, files: FileStore, anchor: Anchor | None = None) -> Verified:
    """Check everything that can be checked from one snapshot; nothing is changed."""
    faults: list[str] = []
    with Session(database.engine, autoflush=False) as session:
        told = _Told()
        count, seq, digest = _check_chain(session, told, faults)
        if anchor is not None:
            _check_anchor(session, anchor, seq, faults)
        records = _check_rows(session, told, faults)
        kept = _check_files(session, files, faults)
        # The table is worked out anew in place, compared, and rolled back: the lab stays as it was.
        session.rollback()
        session.connection(execution_options={"writing": True})
        if not database.embedded:
            session.execute(sql("SELECT pg_advisory_xact_lock(:lock)"), {"lock": ADVISORY_LOCK})
        faults += device_table.difference(session)
        session.rollback()
    return Verified(count, records, kept, seq, digest, tuple(faults))


def _check_chain(session: Session, told: _Told, faults: list[str]) -> tuple[int, int, str]:
    """Work every hash out again; returns (deeds, last number, last hash)."""
    previous, expected, count = GENESIS, 1, 0
    for entry, changes in _entries(session):
        if entry.seq != expected:
            missing = f"entry {expected}" if entry.seq == expected + 1 else f"entries {expected} to {entry.seq - 1}"
            faults.append(f"audit: {missing} missing before entry {entry.seq}")
        elif entry.previous_hash != previous:
            faults.append(f"audit: entry {entry.seq} does not follow from the one before it")
        head = {
            "seq": entry.seq,
            "at": entry.at,
            "operator_id": entry.operator_id,
            "deed": entry.deed,
            "reason": entry.reason,
            "key": entry.key,
        }
        if entry_hash(entry.previous_hash, head, changes) != entry.hash:
            faults.append(f"audit: entry {entry.seq} ({entry.deed}) is not as it was written")
        for table, row_id, before, after in changes:
            _tell(told, entry.seq, (table, row_id), before, after, faults)
        previous, expected, count = entry.hash, entry.seq + 1, count + 1
    return count, expected - 1, previous if count else ""


def _entries(session: Session) -> Iterator[tuple[AuditEntry, list[tuple[str, str, str | None, str | None]]]]:
    """Each entry with the stored text of its changes, in order."""
    changes = iter(
        session.execute(
            select(
                AuditChange.seq, AuditChange.table_name, AuditChange.row_id, AuditChange.before, AuditChange.after
            ).order_by(AuditChange.seq, AuditChange.id),
            execution_options={"yield_per": ROWS_AT_ONCE},
        )
    )
    change = next(changes, None)
    for entry in session.scalars(select(AuditEntry).order_by(AuditEntry.seq)).all():
        own: list[tuple[str, str, str | None, str | None]] = []
        while change is not None and change.seq <= entry.seq:
            if change.seq == entry.seq:
                own.append((change.table_name, change.row_id, change.before, change.after))
            change = next(changes, None)
        yield entry, own


def _tell(told: _Told, seq: int, row: Row, before: str | None, after: str | None, faults: list[str]) -> None:
    if row[0] == BULK_TABLE and ".." in row[1]:
        content = json.loads(after or "{}")
        told.bulk.append((seq, content))
        told.in_bulk.update((BULK_TABLE, str(each)) for each in content.get("ids", ()))
        return
    if row in told.last:
        if before is None or not _same(before, told.last[row]):
            faults.append(f"{_named(row)} was changed outside Marver before entry {seq}")
    elif before is not None:
        if row in told.in_bulk:
            told.first[row] = before
        else:
            faults.append(f"{_named(row)} is changed by entry {seq} but no entry made it")
    told.last[row] = after or ""


def _check_rows(session: Session, told: _Told, faults: list[str]) -> int:
    """Compare each record with the last text the entries have of it; returns how many records there are."""
    seen: set[Row] = set()
    for row, text in _records(session):
        seen.add(row)
        if row in told.in_bulk:
            told.first.setdefault(row, text)
        if row in told.last:
            if not _same(told.last[row], text):
                faults.append(
                    f"{_named(row)} differs from what the deeds say of it: {_differing(told.last[row], text)}"
                )
        elif row not in told.in_bulk:
            faults.append(f"{_named(row)} is in no audit entry")
    faults += [f"{_named(row)} is gone" for row in sorted((told.last.keys() | told.in_bulk) - seen)]
    for seq, content in told.bulk:
        texts = [told.first.get((BULK_TABLE, str(each)), "") for each in content.get("ids", ())]
        if hashlib.sha256("\n".join(texts).encode()).hexdigest() != content.get("digest"):
            faults.append(f"the {content.get('count')} devices taken in hand by entry {seq} are not as they were taken")
    return len(seen)


def _records(session: Session) -> Iterator[tuple[Row, str]]:
    """Every audited record with its canonical text as it stands."""
    for mapper in sorted(Base.registry.mappers, key=lambda each: each.class_.__name__):
        leaf = len(list(mapper.self_and_descendants)) == 1
        if not leaf or issubclass(mapper.class_, UNAUDITED):
            continue
        for row in session.scalars(select(mapper.class_), execution_options={"yield_per": ROWS_AT_ONCE}):
            yield row_identity(row), canonical(row_values(row))
        session.expunge_all()


def _check_files(session: Session, files: FileStore, faults: list[str]) -> int:
    """Every attachment has its file, and the file its checksum; returns how many files there are."""
    rows = session.execute(select(Attachment.sha256, Attachment.file_name).order_by(Attachment.id)).all()
    names = dict(reversed(rows))
    for digest, name in names.items():
        try:
            files.get(digest)
        except FileNotFoundError:
            faults.append(f"file {name} ({digest[:12]}) is missing")
        except DamagedFile:
            faults.append(f"file {name} ({digest[:12]}) no longer has its checksum")
        except (OSError, ValueError) as why:
            faults.append(f"file {name} ({digest[:12]}) cannot be read: {why}")
    return len(names)


def _check_anchor(session: Session, anchor: Anchor, seq: int, faults: list[str]) -> None:
    entry = session.get(AuditEntry, anchor.seq)
    if entry is None:
        faults.append(f"audit: entry {anchor.seq} of the anchor is missing; the chain ends at entry {seq}")
    elif entry.hash != anchor.hash:
        faults.append(f"audit: entry {anchor.seq} is another one than the anchor's")


def _same(one: str, other: str) -> bool:
    """Whether two canonical texts say the same; columns that came with a later version are left aside."""
    if one == other:
        return True
    return not _differing(one, other)


def _differing(told: str, now: str) -> str:
    before, after = json.loads(told), json.loads(now)
    return ", ".join(name for name in before if before[name] != after.get(name))


def _named(row: Row) -> str:
    return f"{row[0]} {row[1]}"
