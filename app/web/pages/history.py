"""History: who changed what, newest first; one deed whole; whether the chain is sound."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from typing import Annotated
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, HTTPException, Query, Request
from fastapi.responses import Response, StreamingResponse

from app.core.csv_text import csv_lines
from app.queries import history
from app.queries.history import CSV_HEADER, Deed, Entry, Head, UnknownCodeError, Wanted
from app.queries.history_words import Change, table_words
from app.queries.verify import Verified, verify
from app.web.deps import Files, Lab, Reading, Set
from app.web.render import page
from app.web.when_asked import Days, read_days

router = APIRouter()
NOBODY = "nobody"
LARGEST = 2**31 - 1
Word = Annotated[str, Query(max_length=80)]
Number = Annotated[int | None, Query(ge=0, le=LARGEST)]


@dataclass(frozen=True)
class Asked:
    """The filter as it stands in the address."""

    who: Word = ""
    deed: Word = ""
    code: Word = ""
    table: Word = ""
    id: Word = ""
    first: Annotated[str, Query(alias="from", max_length=40)] = ""
    last: Annotated[str, Query(alias="to", max_length=40)] = ""
    text: Word = ""

    @property
    def query(self) -> str:
        """`who=1&deed=…`, without what is blank."""
        named = {"who": self.who, "deed": self.deed, "code": self.code, "table": self.table, "id": self.id}
        named |= {"from": self.first, "to": self.last, "text": self.text}
        return urlencode({name: value for name, value in named.items() if value.strip()})

    def wanted(self, days: Days) -> Wanted:
        """What to look for."""
        who = history.NOBODY if self.who == NOBODY else int(self.who) if _is_number(self.who) else None
        return Wanted(
            who=who,
            deed=_clean(self.deed),
            code=_clean(self.code),
            table=_clean(self.table),
            row_id=_clean(self.id),
            since=days.start,
            until=days.end,
            text=_clean(self.text),
        )


@dataclass(frozen=True)
class Day:
    """The deeds of one day, newest first."""

    at: datetime
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class HistoryContext:
    """Deeds that fit the filter; `older` and `newest` lead on, `of_record` names the one record asked for."""

    asked: Asked
    errors: tuple[str, ...]
    days: tuple[Day, ...]
    older: str
    newest: str
    csv: str
    head: Head
    people: tuple[tuple[str, str], ...]
    deeds: tuple[tuple[str, str], ...]
    tables: tuple[tuple[str, str], ...]
    of_record: str
    empty: bool


@dataclass(frozen=True)
class DeedContext:
    """One deed with its changes, those of new records apart from those that were changed."""

    deed: Deed
    entry: Entry
    changed: tuple[Change, ...]
    made: tuple[Change, ...]
    shown: int
    on: int | None
    back: int | None


@dataclass(frozen=True)
class CheckContext:
    """What the check of the whole lab found."""

    result: Verified
    faults: tuple[str, ...] = field(default=())
    more: int = 0


@router.get("/history")
def show_history(
    request: Request, session: Reading, set_: Set, asked: Annotated[Asked, Depends()], before: Number = None
) -> Response:
    """Deeds newest first, as filtered."""
    days = read_days(asked.first, asked.last, set_.zone)
    errors = list(days.errors)
    if asked.who not in ("", NOBODY) and not _is_number(asked.who):
        errors.append(f"Who: “{asked.who}” is nobody of this lab; choose from the list.")
    try:
        found = history.entries(session, asked.wanted(days), set_.zone, before)
    except UnknownCodeError as why:
        errors.append(str(why))
        found = history.Page((), None)
    last = history.head(session)
    context = HistoryContext(
        asked=asked,
        errors=tuple(errors),
        days=_by_day(found.entries, set_.zone),
        older=f"/history?{_and(asked.query, f'before={found.older}')}" if found.older else "",
        newest=f"/history?{asked.query}" if before is not None else "",
        csv=f"/history.csv?{asked.query}".rstrip("?"),
        head=last,
        people=tuple((str(number), words) for number, words in history.people(session)),
        deeds=tuple((each, each[:1].upper() + each[1:]) for each in history.deeds(session)),
        tables=history.tables(session),
        of_record=_record(asked),
        empty=last.seq == 0,
    )
    return page(request, "history/list.html", context, status=422 if errors else 200)


@router.get("/history.csv")
def history_csv(lab: Lab, set_: Set, asked: Annotated[Asked, Depends()]) -> Response:
    """Every change of the deeds that fit the filter, one row a change, with the stored texts."""
    days = read_days(asked.first, asked.last, set_.zone)
    wanted = asked.wanted(days)
    if days.errors:
        raise HTTPException(422, " ".join(days.errors))
    try:
        with lab.reading() as session:
            history.check_wanted(session, wanted)
    except UnknownCodeError as why:
        raise HTTPException(422, str(why)) from why

    def lines() -> Iterator[str]:
        with lab.reading() as session:
            yield from csv_lines(CSV_HEADER, history.rows(session, wanted, set_.zone))

    return StreamingResponse(
        lines(),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="history.csv"'},
    )


@router.post("/history/check")
def check_chain(request: Request, lab: Lab, files: Files) -> Response:
    """Work out every hash again and compare all records, files and the device table; nothing is changed."""
    result = verify(lab, files)
    most = 200
    context = CheckContext(result, result.faults[:most], max(0, len(result.faults) - most))
    return page(request, "history/check.html", context)


@router.get("/history/{seq}")
def show_deed(
    request: Request,
    session: Reading,
    set_: Set,
    seq: int,
    start: Annotated[int, Query(ge=0, le=LARGEST)] = 0,
) -> Response:
    """One deed with everything it changed."""
    found = history.deed(session, seq, set_.zone, start) if 0 < seq <= LARGEST else None
    if found is None:
        raise HTTPException(404, f"The history has no deed {seq}.")
    changes = found.entry.changes
    shown = start + len(changes)
    context = DeedContext(
        deed=found,
        entry=found.entry,
        changed=tuple(each for each in changes if not each.new),
        made=tuple(each for each in changes if each.new),
        shown=shown,
        on=shown if found.entry.more else None,
        back=max(0, start - history.ON_PAGE) if start else None,
    )
    return page(request, "history/deed.html", context)


def _by_day(entries: tuple[Entry, ...], zone: ZoneInfo) -> tuple[Day, ...]:
    days = groupby(entries, key=lambda entry: entry.at.astimezone(zone).date())
    grouped = (tuple(group) for _, group in days)
    return tuple(Day(group[0].at, group) for group in grouped)


def _record(asked: Asked) -> str:
    """`Reflow shot 45` for the history of one record, '' for a list."""
    kinds = {"event": "Record", "piece": "Piece"}
    return f"{kinds.get(asked.table) or table_words(asked.table)} {asked.id}" if asked.table and asked.id else ""


def _and(query: str, more: str) -> str:
    return f"{query}&{more}" if query else more


def _clean(text: str) -> str:
    """Without spaces round it, and without the one character that PostgreSQL takes in no text."""
    return text.replace("\0", "").strip()


def _is_number(text: str) -> bool:
    return text.isdecimal() and len(text) < 10
