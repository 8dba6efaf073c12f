"""In hand: what waits, who has what, what is due, what was logged today."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.vocab import LOT_KINDS, TOOL_EVENTS
from app.db.models.events import Event, EventPiece
from app.db.models.material import Device, Lot, Piece
from app.db.models.people import Operator, Tool, ToolEvent
from app.db.models.seen import Finding
from app.queries.codes import PieceRef
from app.queries.names import stalled_days
from app.queries.timeline import label_of
from app.queries.waits import STEPS, Wait, Waiting, waiting_pieces

AHEAD = timedelta(days=30)
"""How far ahead a date is worth a line."""
MOST_LOGGED = 40


@dataclass(frozen=True)
class WaitLine:
    """One piece in the group of the step it waits for."""

    piece: PieceRef
    wait: Wait
    says: str
    since_s: float


@dataclass(frozen=True)
class WaitGroup:
    """All pieces that wait for one step."""

    step: str
    words: str
    fibre: bool
    lines: tuple[WaitLine, ...]


@dataclass(frozen=True)
class Due:
    """A calibration, bath or lot with its day; `left_s` is below zero once that has passed."""

    name: str
    what: str
    href: str
    at: datetime
    left_s: float


@dataclass(frozen=True)
class Logged:
    """What was saved at one moment: `count` records of one kind on some pieces or devices."""

    at: datetime
    heading: str
    who: str
    codes: tuple[tuple[str, str], ...]
    more: int
    take_back: str


@dataclass(frozen=True)
class InHand:
    """Everything the page shows."""

    groups: tuple[WaitGroup, ...]
    stalled: tuple[Waiting, ...]
    away: tuple[Waiting, ...]
    resting: tuple[Waiting, ...]
    due: tuple[Due, ...]
    logged: tuple[Logged, ...]
    logged_count: int
    stalled_days: int
    pieces: int
    wafers_ever: int


def in_hand(session: Session, now: datetime, since: datetime) -> InHand:
    """What is in work at `now`; `since` is when the lab's day began."""
    days = stalled_days(session)
    pieces = waiting_pieces(session, now, days)
    away = [each for each in pieces if each.lent]
    stalled = [each for each in pieces if each.stalled and not each.lent]
    active = [each for each in pieces if not each.stalled and not each.lent]
    logged = _logged(session, since)
    return InHand(
        groups=tuple(_groups(active)),
        stalled=tuple(sorted(stalled, key=lambda each: each.last_deed_at)),
        away=tuple(sorted(away, key=lambda each: (each.until or now + timedelta(days=9999), each.piece.code))),
        resting=tuple(each for each in active if not each.waits),
        due=tuple(_due(session, now)),
        logged=tuple(logged[:MOST_LOGGED]),
        logged_count=len(logged),
        stalled_days=days,
        pieces=len([each for each in active if each.waits]),
        wafers_ever=session.scalar(select(func.count()).select_from(Piece)) or 0,
    )


def _groups(pieces: list[Waiting]) -> list[WaitGroup]:
    lines: dict[tuple[bool, str], list[WaitLine]] = defaultdict(list)
    for each in pieces:
        for wait in each.waits:
            fibre = each.piece.kind == "fibre_batch"
            lines[fibre, wait.step].append(WaitLine(each.piece, wait, _says(each, wait), each.since_s))
    order = list(STEPS)
    return [
        WaitGroup(step, rows[0].wait.words, fibre, tuple(sorted(rows, key=lambda row: -row.since_s)))
        for (fibre, step), rows in sorted(lines.items(), key=lambda item: (item[0][0], order.index(item[0][1])))
    ]


def _says(each: Waiting, wait: Wait) -> str:
    kinds = {"wafer": "wafer", "chip": "chip", "fibre_batch": "fibre batch"}
    if wait.count is not None:
        noun = "fibre ends" if each.piece.kind == "fibre_batch" else "discs" if wait.step == "reflow" else "devices"
        to = {"reflow": "to shoot", "inspection": "to look at", "scan": "to measure"}[wait.step]
        return f"{wait.count} of {wait.of} {noun} {to}"
    if wait.step == "undercut" and each.cycles:
        return f"{kinds[each.piece.kind]}, {each.cycles} cycles so far"
    oxide = f", oxide {each.oxide_um:.2f} µm" if each.oxide_um is not None else ""
    return f"{kinds[each.piece.kind]}{oxide}"


def _due(session: Session, now: datetime) -> list[Due]:
    """The last calibration of each thing of a tool, and lots in use, that end within a month or have ended."""
    found: dict[tuple[int, str | None], Due] = {}
    rows = session.execute(
        select(ToolEvent, Tool)
        .join(Tool, Tool.id == ToolEvent.tool_id)
        .where(ToolEvent.kind == "calibration", ToolEvent.voided_at.is_(None), Tool.state != "retired")
        .order_by(ToolEvent.done_at, ToolEvent.id)
    )
    for happened, tool in rows:
        key = (tool.id, happened.what)
        found.pop(key, None)
        if happened.valid_until is not None and happened.valid_until < now + AHEAD:
            left = (happened.valid_until - now).total_seconds()
            found[key] = Due(
                tool.name, TOOL_EVENTS["calibration"].lower(), f"/lab/tools/{tool.code}", happened.valid_until, left
            )
    due = list(found.values())
    for lot in session.scalars(select(Lot).where(Lot.used_up.is_(False), Lot.expires_at < now + AHEAD)):
        if lot.expires_at is not None:
            left = (lot.expires_at - now).total_seconds()
            due.append(Due(lot.code, LOT_KINDS.get(lot.kind, lot.kind), f"/lab/lots/{lot.code}", lot.expires_at, left))
    return sorted(due, key=lambda each: each.at)


def _logged(session: Session, since: datetime) -> list[Logged]:
    """What was saved since, newest first; records of one kind saved at one moment are one line."""
    rows = session.execute(
        select(Event.id, Event.kind, Event.logged_at, Event.operator_id, Event.device_id)
        .where(Event.logged_at >= since, Event.voided_at.is_(None), Event.kind != "reflow_session")
        .order_by(Event.logged_at.desc(), Event.id.desc())
        .limit(5000)
    ).all()
    people = dict(session.execute(select(Operator.id, Operator.initials)).all())
    groups: dict[tuple[Any, ...], list[Any]] = defaultdict(list)
    for row in rows:
        groups[row.logged_at, row.kind, row.operator_id].append(row)
    shown = list(groups.items())[:MOST_LOGGED]
    codes = _codes(session, [row for _, some in shown for row in some])
    result: list[Logged] = []
    for (at, kind, operator), some in groups.items():
        named = list(dict.fromkeys(code for row in some for code in codes.get(row.id, ())))
        count = len(some)
        result.append(
            Logged(
                at=at,
                heading=label_of(kind) if count == 1 else f"{label_of(kind)}, {count} devices",
                who=people.get(operator or 0, ""),
                codes=tuple(named[:3]),
                more=max(0, len(named) - 3),
                take_back=f"/log/void/{some[0].id}" if count == 1 and kind not in ("parting", "taking") else "",
            )
        )
    return result


def _codes(session: Session, rows: list[Any]) -> dict[int, list[tuple[str, str]]]:
    """(code, path) of what each event was done to or seen on."""
    result: dict[int, list[tuple[str, str]]] = defaultdict(list)
    ids = [row.id for row in rows]
    on = session.execute(
        select(EventPiece.event_id, Piece.id, Piece.code, Piece.kind)
        .join(Piece, Piece.id == EventPiece.piece_id)
        .where(EventPiece.event_id.in_(ids))
    )
    for row in on:
        result[row.event_id].append((row.code, PieceRef(row.id, row.code, row.kind).path))
    wanted = {row.device_id for row in rows if row.device_id is not None}
    devices = dict(session.execute(select(Device.id, Device.code).where(Device.id.in_(wanted))).all())
    for row in rows:
        if row.device_id in devices:
            result[row.id].append((devices[row.device_id], f"/devices/{devices[row.device_id]}"))
    bare = [row.id for row in rows if row.kind == "inspection" and row.id not in result]
    seen = session.execute(
        select(Finding.inspection_id, Device.code)
        .join(Device, Device.id == Finding.device_id)
        .where(Finding.inspection_id.in_(bare))
    )
    for inspection_id, code in seen:
        result[inspection_id].append((code, f"/devices/{code}"))
    return result
