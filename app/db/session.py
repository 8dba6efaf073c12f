"""The lab's database: reading sessions only read; writing sessions queue and write one deed each.

A writing session begins with `BEGIN IMMEDIATE` (SQLite; this process's writers queue first-come before
it) or an advisory transaction lock (PostgreSQL), so that there is one writer at a time per lab. Parse and
fit before opening one.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Engine, create_engine, event, text
from sqlalchemy.orm import Session
from sqlalchemy.pool import ConnectionPoolEntry

from app.db import device_table, schema
from app.db.audit import Ledger
from app.db.submissions import answer_of, keep_answer

ADVISORY_LOCK = 0x6D61727665
"""Any number that is always the same: one writer per PostgreSQL database."""

BUSY_WAIT_S = 30.0
"""How long a writer waits for another process's before it is told that the database is busy."""

assert schema.metadata  # noqa: S101  the models must be mapped before a session is used


class FairLock:
    """A lock that is handed on in the order of arrival; a plain one lets late comers overtake."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._waiting: deque[threading.Event] = deque()
        self._held = False

    def acquire(self) -> None:
        """Wait for one's turn."""
        with self._guard:
            if not self._held and not self._waiting:
                self._held = True
                return
            turn = threading.Event()
            self._waiting.append(turn)
        turn.wait()

    def release(self) -> None:
        """Hand on to the one who has waited longest."""
        with self._guard:
            if self._waiting:
                self._waiting.popleft().set()
            else:
                self._held = False


@dataclass
class Writing:
    """An open deed: `session` to add rows to, `now` as its instant, `answer` to be given again to the same key."""

    session: Session
    operator_id: int | None
    now: datetime
    deed: str
    reason: str | None = None
    key: str | None = None
    answer: Any = None
    answered_before: bool = False
    ledger: Ledger = field(init=False)
    seq: int | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        self.ledger = Ledger(self.session)

    def add(self, *rows: schema.Base) -> None:
        """Add rows and flush them, so that their ids are known."""
        self.session.add_all(rows)
        self.session.flush()

    def close(self) -> None:
        """Flush, bring the device table up to date, write the one audit entry."""
        self.session.flush()
        device_table.refresh(self.session, self.ledger.touched, self.ledger.earlier)
        self.seq = self.ledger.write(
            deed=self.deed, at=self.now, operator_id=self.operator_id, reason=self.reason, key=self.key
        )


class Database:
    """One lab's database, embedded (SQLite) or PostgreSQL."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.embedded = url.startswith("sqlite")
        self.engine = _engine(url)
        # PostgreSQL's own default lets a later statement see what was committed since the first.
        self._readers = (
            self.engine if self.embedded else self.engine.execution_options(isolation_level="REPEATABLE READ")
        )
        self._queue = FairLock()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session that only reads, from one snapshot."""
        with Session(self._readers, autoflush=False) as session:
            session.info["reading"] = True
            yield session
            if session.new or session.dirty or session.deleted:
                raise RuntimeError("a reading session only reads")
            session.rollback()

    @contextmanager
    def writing(
        self,
        deed: str,
        *,
        operator_id: int | None,
        reason: str | None = None,
        key: str | None = None,
        body: Any = None,
        now: datetime | None = None,
    ) -> Iterator[Writing]:
        """One deed, saved whole when the block ends, or not at all when it raises.

        With `key`, the same key and body is saved once: `answered_before` is then set, `answer` is the first
        answer, and nothing must be written. The same key with another body raises a Refusal.
        """
        self._queue.acquire()
        try:
            with Session(self.engine, autoflush=False, expire_on_commit=False) as session:
                session.connection(execution_options={"writing": True})
                if not self.embedded:
                    session.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": ADVISORY_LOCK})
                writing = Writing(session, operator_id, now or datetime.now(UTC), deed, reason, key)
                if key is not None and (known := answer_of(session, key, body)) is not None:
                    writing.answer, writing.answered_before = known.result, True
                    yield writing
                    session.rollback()
                    return
                yield writing
                writing.close()
                if key is not None:
                    keep_answer(session, key, body, operator_id, writing.answer, writing.now)
                session.commit()
        finally:
            self._queue.release()

    def close(self) -> None:
        """Let go of every connection."""
        self.engine.dispose()


def _engine(url: str) -> Engine:
    if not url.startswith("sqlite"):
        return create_engine(url, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": BUSY_WAIT_S, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _record: ConnectionPoolEntry) -> None:
        # Left to itself, the driver of Python 3.11 commits before DDL and opens no transaction for reading.
        connection.isolation_level = None
        for pragma in (
            "journal_mode=WAL",
            "foreign_keys=ON",
            f"busy_timeout={BUSY_WAIT_S * 1000:.0f}",
            "synchronous=FULL",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Any) -> None:
        immediate = connection.get_execution_options().get("writing")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")

    return engine
