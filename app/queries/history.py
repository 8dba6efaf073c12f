"""Who changed what: audit entries newest first, filtered, each change in words."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any

from sqlalchemy import ColumnElement, Select, case, func, or_, select
from sqlalchemy.orm import Session

from app.core.csv_text import Cell
from app.core.vocab import CORRECTION_REASONS
from app.db.models.audit import AuditChange, AuditEntry
from app.db.models.people import Operator
from app.queries.history_names import EVENT_TABLES, names_for
from app.queries.history_scope import of_code, of_record
from app.queries.history_words import SECRET, Change, Raw, keys_in, stored, table_words, tell

NOBODY = 0
"""Stands for deeds that name nobody, such as those of the command line."""
SHOWN = 50
TOLD = 4
"""How many changes of an entry stand in the list, small parts left out; all of them stand on its own page."""
ON_PAGE = 200
AT_ONCE = 200
PARTS = ("event_piece", "piece_region", "defect", "exposure", "range_confirmation")
"""Rows that say little by themselves."""
CSV_HEADER = (
    "number", "at", "who", "deed", "reason", "kind", "name", "table", "row_id", "change", "in_words", "before", "after",
)  # fmt: skip


@dataclass(frozen=True)
class Wanted:
    """What to show: all of it must be so. `who` is a person's number or NOBODY; `since` to before `until`."""

    who: int | None = None
    deed: str = ""
    code: str = ""
    table: str = ""
    row_id: str = ""
    since: datetime | None = None
    until: datetime | None = None
    text: str = ""


@dataclass(frozen=True)
class Entry:
    """One deed with what it changed; `more` changes worth telling are not told here."""

    seq: int
    at: datetime
    who: str
    deed: str
    reason: str
    changes: tuple[Change, ...]
    more: int


@dataclass(frozen=True)
class Page:
    """Some entries, newest first; `older` is the number below which the next ones are, None at the end."""

    entries: tuple[Entry, ...]
    older: int | None


@dataclass(frozen=True)
class Deed:
    """One entry whole: its place in the chain, and its changes from `start` on."""

    entry: Entry
    hash: str
    previous_hash: str
    start: int
    total: int
    earlier: int | None
    later: int | None


@dataclass(frozen=True)
class Head:
    """The last entry of the chain; 0 and '' where nothing was ever saved."""

    seq: int
    hash: str


class UnknownCodeError(ValueError):
    """Nothing in the lab has the code asked for."""


def head(session: Session) -> Head:
    """Number and hash of the last entry."""
    row = session.execute(
        select(AuditEntry.seq, AuditEntry.hash).order_by(AuditEntry.seq.desc()).limit(1)
    ).one_or_none()
    return Head(row.seq, row.hash) if row else Head(0, "")


def deeds(session: Session) -> tuple[str, ...]:
    """Every kind of deed there is in the entries."""
    return tuple(session.scalars(select(AuditEntry.deed).distinct().order_by(AuditEntry.deed)))


def tables(session: Session) -> tuple[tuple[str, str], ...]:
    """(table, words) of every kind of record there is in the entries, by its words."""
    found = session.scalars(select(AuditChange.table_name).distinct())
    return tuple(sorted(((each, table_words(each)) for each in found), key=lambda pair: pair[1]))


def people(session: Session) -> tuple[tuple[int, str], ...]:
    """(number, `TVE, Tova Ekdal`) of everybody who ever logged."""
    rows = session.scalars(select(Operator).order_by(Operator.initials))
    return tuple((row.id, f"{row.initials}, {row.name}") for row in rows)


def entries(session: Session, wanted: Wanted, zone: tzinfo, below: int | None = None) -> Page:
    """The newest entries wanted, below a number; UnknownCodeError where nothing has the code."""
    found: list[AuditEntry] = []
    for entry in _matching(session, wanted, below):
        if len(found) == SHOWN:
            return Page(_told(session, found, zone), found[-1].seq)
        found.append(entry)
    return Page(_told(session, found, zone), None)


def deed(session: Session, seq: int, zone: tzinfo, start: int = 0) -> Deed | None:
    """One entry with its changes from `start` on; None where there is no such entry."""
    row = session.get(AuditEntry, seq)
    if row is None:
        return None
    mine = AuditChange.seq == seq
    total = session.scalar(select(func.count()).select_from(AuditChange).where(mine)) or 0
    raws = _raws(session, _changes().where(mine).order_by(*_weight()).offset(start).limit(ON_PAGE))
    changes = _in_words(session, raws, zone)
    who = _initials(session).get(row.operator_id or NOBODY, "")
    more = max(0, total - start - len(changes))
    entry = Entry(row.seq, row.at, who, _sentence(row.deed), _reason(row.reason), tuple(changes), more)
    beside = select(AuditEntry.seq)
    earlier = session.scalar(beside.where(AuditEntry.seq < seq).order_by(AuditEntry.seq.desc()).limit(1))
    later = session.scalar(beside.where(AuditEntry.seq > seq).order_by(AuditEntry.seq).limit(1))
    return Deed(entry, row.hash, row.previous_hash, start, total, earlier, later)


def check_wanted(session: Session, wanted: Wanted) -> None:
    """UnknownCodeError where nothing has the code asked for."""
    _conditions(session, wanted)


def rows(session: Session, wanted: Wanted, zone: tzinfo) -> Iterator[list[Cell]]:
    """Every change of the entries wanted as cells under CSV_HEADER, newest entry first."""
    initials = _initials(session)
    chunk: list[AuditEntry] = []
    for entry in _matching(session, wanted, None):
        chunk.append(entry)
        if len(chunk) == SHOWN:
            yield from _rows_of(session, chunk, initials, zone)
            chunk = []
    yield from _rows_of(session, chunk, initials, zone)


def _rows_of(
    session: Session, some: Sequence[AuditEntry], initials: dict[int, str], zone: tzinfo
) -> Iterator[list[Cell]]:
    raws = _raws(session, _changes().where(AuditChange.seq.in_([each.seq for each in some])).order_by(AuditChange.id))
    by_seq: dict[int, list[tuple[Raw, Change]]] = defaultdict(list)
    for raw, change in zip(raws, _in_words(session, raws, zone), strict=True):
        by_seq[raw.seq].append((raw, change))
    for entry in some:
        top: list[Cell] = [entry.seq, entry.at, initials.get(entry.operator_id or NOBODY, ""), entry.deed, entry.reason]
        for raw, change in by_seq[entry.seq]:
            words = "; ".join(
                f"{each.label}: {each.before or 'nothing'} → {each.after or 'nothing'}" for each in change.lines
            )
            kind = "taken in hand" if change.count > 1 else "new" if change.new else "changed"
            yield [
                *top,
                change.kind,
                change.name,
                raw.table,
                raw.row_id,
                kind,
                words,
                stored(raw.before),
                stored(raw.after),
            ]


def _matching(session: Session, wanted: Wanted, below: int | None) -> Iterator[AuditEntry]:
    """Entries wanted, newest first."""
    conditions = _conditions(session, wanted)
    while True:
        statement = select(AuditEntry).where(*conditions).order_by(AuditEntry.seq.desc()).limit(AT_ONCE)
        if below is not None:
            statement = statement.where(AuditEntry.seq < below)
        found = list(session.scalars(statement))
        yield from _saying(session, found, wanted.text) if wanted.text else found
        if len(found) < AT_ONCE:
            return
        below = found[-1].seq


def _conditions(session: Session, wanted: Wanted) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    if wanted.who is not None:
        conditions.append(AuditEntry.operator_id == wanted.who if wanted.who else AuditEntry.operator_id.is_(None))
    if wanted.deed:
        conditions.append(AuditEntry.deed == wanted.deed)
    if wanted.since is not None:
        conditions.append(AuditEntry.at >= wanted.since.astimezone(UTC))
    if wanted.until is not None:
        conditions.append(AuditEntry.at < wanted.until.astimezone(UTC))
    if wanted.code:
        touched = of_code(session, wanted.code)
        if touched is None:
            raise UnknownCodeError(f"Nothing in this lab has the code “{wanted.code}”.")
        conditions.append(AuditEntry.seq.in_(select(AuditChange.seq).where(touched)))
    if wanted.table:
        touched = of_record(wanted.table, wanted.row_id)
        conditions.append(AuditEntry.seq.in_(select(AuditChange.seq).where(touched)))
    if wanted.text:
        conditions.append(_may_say(wanted.text))
    return conditions


def _may_say(text: str) -> ColumnElement[bool]:
    """Whether the stored text holds it somewhere, be it only in the name of a column; `_saying` looks closer."""
    stored = json.dumps(text, ensure_ascii=False)[1:-1]
    changed = or_(
        AuditChange.after.icontains(stored, autoescape=True), AuditChange.before.icontains(stored, autoescape=True)
    )
    return or_(
        AuditEntry.deed.icontains(text, autoescape=True),
        AuditEntry.reason.icontains(text, autoescape=True),
        AuditEntry.seq.in_(select(AuditChange.seq).where(changed)),
    )


def _saying(session: Session, found: Sequence[AuditEntry], text: str) -> Iterator[AuditEntry]:
    """Those that say the text in deed, reason or a value that changed."""
    needle = text.casefold()
    open_ = [each.seq for each in found if needle not in f"{each.deed} {each.reason or ''}".casefold()]
    said = {
        raw.seq
        for raw in _raws(session, _changes().where(AuditChange.seq.in_(open_)))
        if any(needle in value.casefold() for value in _changed_values(raw))
    }
    return (each for each in found if each.seq not in open_ or each.seq in said)


def _changed_values(raw: Raw) -> Iterator[str]:
    before, after = (json.loads(each) if each else {} for each in (raw.before, raw.after))
    for column in {*before, *after}:
        if before.get(column) != after.get(column) and column not in SECRET:
            yield from _texts(before.get(column))
            yield from _texts(after.get(column))


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, dict | list):
        for each in value.values() if isinstance(value, dict) else value:
            yield from _texts(each)
    elif isinstance(value, str) or (isinstance(value, int | float) and not isinstance(value, bool)):
        yield str(value)


def _told(session: Session, found: Sequence[AuditEntry], zone: tzinfo) -> tuple[Entry, ...]:
    """The entries with the changes that say most."""
    says_much = or_(AuditChange.before.is_not(None), AuditChange.table_name.not_in(PARTS))
    here = (AuditChange.seq.in_([each.seq for each in found]), says_much)
    statement = select(AuditChange.seq, func.count().label("n")).where(*here).group_by(AuditChange.seq)
    counts = {row.seq: row.n for row in session.execute(statement)}
    place = func.row_number().over(partition_by=AuditChange.seq, order_by=_weight()).label("place")
    ranked = select(AuditChange.id, place).where(*here).subquery()
    first = select(ranked.c.id).where(ranked.c.place <= TOLD)
    raws = _raws(session, _changes().where(AuditChange.id.in_(first)).order_by(AuditChange.seq, *_weight()))
    by_seq: dict[int, list[Change]] = defaultdict(list)
    for raw, change in zip(raws, _in_words(session, raws, zone), strict=True):
        by_seq[raw.seq].append(change)
    initials = _initials(session)
    return tuple(
        Entry(
            each.seq,
            each.at,
            initials.get(each.operator_id or NOBODY, ""),
            _sentence(each.deed),
            _reason(each.reason),
            tuple(by_seq[each.seq]),
            counts.get(each.seq, 0) - len(by_seq[each.seq]),
        )
        for each in found
    )


def _weight() -> tuple[Any, ...]:
    """Records that were changed first, then what was done or seen, small parts last."""
    rank = case(
        (AuditChange.before.is_not(None), 0),
        (AuditChange.table_name.in_(EVENT_TABLES), 1),
        (AuditChange.table_name.in_(PARTS), 3),
        else_=2,
    )
    return rank, AuditChange.id


def _changes() -> Select[Any, Any, Any, Any, Any]:
    change = AuditChange
    return select(change.seq, change.table_name, change.row_id, change.before, change.after)


def _raws(session: Session, statement: Select[Any]) -> list[Raw]:
    return [Raw(*row) for row in session.execute(statement)]


def _in_words(session: Session, raws: Sequence[Raw], zone: tzinfo) -> list[Change]:
    names = names_for(session, {key for raw in raws for key in keys_in(raw)})
    return [tell(raw, names, zone) for raw in raws]


def _initials(session: Session) -> dict[int, str]:
    return {row.id: row.initials for row in session.execute(select(Operator.id, Operator.initials))}


def _reason(stored: str | None) -> str:
    return CORRECTION_REASONS.get(stored or "", stored or "")


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]
