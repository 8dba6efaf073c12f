"""What stands behind an error of the database or the disk, in words: busy, full, read-only, damaged, out of reach."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from sqlalchemy.exc import DBAPIError, SQLAlchemyError


@dataclass(frozen=True)
class Trouble:
    """`kind` busy, full, read_only, damaged, disk or away; `what` is wrong, and what `settles` it."""

    kind: str
    what: str
    settles: str


_TROUBLES = {
    trouble.kind: trouble
    for trouble in (
        Trouble("busy", "The database is busy: another program is writing to it.", "Try again in a moment."),
        Trouble("full", "The disk is full.", "Make room on the disk that holds the lab, then try again."),
        Trouble(
            "read_only",
            "The lab cannot be written to: its folder or database is read-only for this user.",
            "Give this user the right to write there, then try again.",
        ),
        Trouble(
            "damaged",
            "The database is damaged, or is no database of Marver.",
            "Stop the server, keep a copy of the data folder, then bring back the last backup (marver restore).",
        ),
        Trouble(
            "disk",
            "The disk did not do what it was asked.",
            "See to the disk that holds the lab, then try again.",
        ),
        Trouble("away", "The database cannot be reached.", "See that it is there and running, then try again."),
    )
}
# Primary result codes of SQLite (https://sqlite.org/rescode.html) and SQLSTATEs of PostgreSQL (its manual, appendix A).
_SQLITE = {
    sqlite3.SQLITE_BUSY: "busy",
    sqlite3.SQLITE_LOCKED: "busy",
    sqlite3.SQLITE_FULL: "full",
    sqlite3.SQLITE_READONLY: "read_only",
    sqlite3.SQLITE_PERM: "read_only",
    sqlite3.SQLITE_CORRUPT: "damaged",
    sqlite3.SQLITE_NOTADB: "damaged",
    sqlite3.SQLITE_IOERR: "disk",
    sqlite3.SQLITE_CANTOPEN: "away",
}
_SQLSTATE: Mapping[str, str] = {
    "53100": "full",
    "53300": "busy",
    "55P03": "busy",
    "40P01": "busy",
    "40001": "busy",
    "25006": "read_only",
    "58030": "disk",
    "XX001": "damaged",
    "XX002": "damaged",
    "57P01": "away",
    "57P02": "away",
    "57P03": "away",
}
_ERRNO = {
    errno.ENOSPC: "full",
    errno.EDQUOT: "full",
    errno.EFBIG: "full",
    errno.EROFS: "read_only",
    errno.EACCES: "read_only",
    errno.EPERM: "read_only",
    errno.EIO: "disk",
}


def trouble_of(error: BaseException) -> Trouble | None:
    """The trouble behind `error` or what it came from; None where it is none of these, but a bug or bad input."""
    for each in _chain(error):
        kind = _kind(each)
        if kind:
            return _TROUBLES[kind]
    return None


def _chain(error: BaseException) -> Iterator[BaseException]:
    seen: set[int] = set()
    each: BaseException | None = error
    while each is not None and id(each) not in seen:
        seen.add(id(each))
        yield each
        each = each.__cause__


def _kind(error: BaseException) -> str | None:
    if isinstance(error, DBAPIError) and error.orig is not None:
        return _kind(error.orig)
    if isinstance(error, sqlite3.Error):
        return _SQLITE.get(getattr(error, "sqlite_errorcode", 0) & 0xFF)
    if isinstance(error, OSError):
        return _ERRNO.get(error.errno or 0)
    if isinstance(error, SQLAlchemyError) or not type(error).__module__.startswith("psycopg"):
        return None
    state = getattr(error, "sqlstate", None)
    if state is None:  # psycopg has no state to tell where it never reached the server, or lost it
        return "away" if type(error).__name__ in ("OperationalError", "ConnectionTimeout") else None
    return _SQLSTATE.get(state, "away" if state.startswith("08") else None)
