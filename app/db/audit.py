"""One audit entry per deed, chained by hash, written once in the deed's own transaction."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Float, event, insert, inspect, select
from sqlalchemy.orm import Session, UOWTransaction

from app.db.base import Base
from app.db.models.audit import AuditChange, AuditEntry, Submission

GENESIS = "0" * 64
BULK_TABLE = "device"
BULK = 20
"""From this many new devices in one deed on, they are told as count and digest."""

Change = tuple[str, str, str | None, str | None]
"""(table, row id, before, after): canonical texts; `before` is None for a new row."""
UNAUDITED: tuple[type[Base], ...] = (AuditEntry, AuditChange, Submission)


def canonical(values: Mapping[str, Any]) -> str:
    """One text for one row, the same on every database: sorted keys, no spaces, instants in UTC."""
    return json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_plain)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"no canonical text for {type(value).__name__}")


def row_values(row: Base) -> dict[str, Any]:
    """The columns of a mapped row as they stand, by column name."""
    state = inspect(row)
    return {
        attribute.key: _as_kept(state.dict.get(attribute.key), attribute.columns[0].type)
        for attribute in state.mapper.column_attrs
    }


def _load(row: Base) -> None:
    """Read the columns of the row's own table, where it was asked for as something more general."""
    state = inspect(row)
    for name in state.unloaded.intersection(attribute.key for attribute in state.mapper.column_attrs):
        getattr(row, name)


def _as_kept(value: Any, kind: Any) -> Any:
    """A whole number in a column of fractions comes back as 2.0, and is told so from the start."""
    return float(value) if type(value) is int and isinstance(kind, Float) else value


def table_name(row: Base) -> str:
    """The most derived table a mapped row lives in."""
    return str(inspect(row).mapper.local_table)


def row_identity(row: Base) -> tuple[str, str]:
    """(table, id) of a row: the most derived table, and its primary key in text."""
    mapper = inspect(row).mapper
    return table_name(row), ",".join(str(part) for part in mapper.primary_key_from_instance(row))


def bulk_change(rows: Sequence[tuple[str, str]]) -> Change:
    """One change for many new devices: `rows` of (id, canonical text) by rising id, kept as count and digest.

    Its row id is `first..last`; `verify` works the digest out again from the rows as they first were.
    """
    digest = hashlib.sha256("\n".join(text for _, text in rows).encode()).hexdigest()
    ids = [int(row_id) for row_id, _ in rows]
    return (BULK_TABLE, f"{ids[0]}..{ids[-1]}", None, canonical({"count": len(ids), "digest": digest, "ids": ids}))


def entry_hash(previous: str, entry: Mapping[str, Any], changes: Sequence[Change]) -> str:
    """SHA-256 over the previous hash, the entry and the stored text of its changes, in order."""
    digest = hashlib.sha256(previous.encode())
    digest.update(canonical(entry).encode())
    for change in changes:
        digest.update(json.dumps(change, ensure_ascii=False, separators=(",", ":")).encode())
    return digest.hexdigest()


class Ledger:
    """Collects what a writing session changes and writes the one entry at its end."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.touched: list[Base] = []
        self.earlier: list[tuple[Base, dict[str, Any]]] = []
        """Each changed row with the values it had: what was moved bears upon where it came from too."""
        self._changes: dict[tuple[str, str], tuple[str | None, str | None]] = {}
        self._before: dict[int, str] = {}
        event.listen(session, "before_flush", self._remember)
        event.listen(session, "after_flush", self._collect)

    def _remember(self, session: Session, _context: UOWTransaction, _instances: object) -> None:
        for row in session.dirty:
            if isinstance(row, UNAUDITED) or not session.is_modified(row):
                continue
            _load(row)
            old = row_values(row)
            for attribute in inspect(row).mapper.column_attrs:
                history = inspect(row).attrs[attribute.key].history
                if history.deleted:
                    old[attribute.key] = history.deleted[0]
            self._before.setdefault(id(row), canonical(old))
            self.earlier.append((row, old))
            if hasattr(row, "version"):
                row.version = old["version"] + 1

    def _collect(self, session: Session, _context: UOWTransaction) -> None:
        if session.deleted:
            raise RuntimeError("nothing is deleted: correct or void the record")
        # What changed comes out of a set; sorted, the same deed always gives the same entry.
        for row in [*session.new, *sorted(session.dirty, key=row_identity)]:
            if isinstance(row, UNAUDITED):
                continue
            before = self._before.pop(id(row), None)
            if row in session.dirty and before is None:
                continue
            key = row_identity(row)
            first = self._changes.get(key)
            self._changes[key] = (first[0] if first else before, canonical(row_values(row)))
            self.touched.append(row)

    def _told(self) -> list[Change]:
        """The changes as they are stored; many new devices of one deed are told as count and digest."""
        changes = [(table, row_id, before, after) for (table, row_id), (before, after) in self._changes.items()]
        many = [c for c in changes if c[0] == BULK_TABLE and c[2] is None and c[3] is not None]
        if len(many) < BULK:
            return changes
        many.sort(key=lambda change: int(change[1]))
        rest = [change for change in changes if change not in set(many)]
        return [*rest, bulk_change([(row_id, after or "") for _, row_id, _, after in many])]

    def write(
        self, *, deed: str, at: datetime, operator_id: int | None, reason: str | None, key: str | None
    ) -> int | None:
        """Write the entry and its changes; None where nothing changed. Returns its number."""
        if not self._changes:
            return None
        last = self.session.execute(
            select(AuditEntry.seq, AuditEntry.hash).order_by(AuditEntry.seq.desc()).limit(1)
        ).one_or_none()
        seq, previous = (last.seq + 1, last.hash) if last else (1, GENESIS)
        head = {"seq": seq, "at": at, "operator_id": operator_id, "deed": deed, "reason": reason, "key": key}
        changes = self._told()
        digest = entry_hash(previous, head, changes)
        self.session.execute(insert(AuditEntry), [{**head, "previous_hash": previous, "hash": digest}])
        self.session.execute(
            insert(AuditChange),
            [
                {"seq": seq, "table_name": table, "row_id": row_id, "before": before, "after": after}
                for table, row_id, before, after in changes
            ],
        )
        return seq
