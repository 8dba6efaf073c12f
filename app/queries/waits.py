"""What each piece waits for, since when, and whether it has stalled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import case, func, or_, select
from sqlalchemy.orm import Session

from app.core.vocab import GONE
from app.db.models.events import Event, EventPiece, Whereabouts
from app.db.models.facts import ALL_STAGES, DEVICE_FACTS, PIECE_FACTS
from app.queries.codes import PieceRef
from app.queries.standing import stages_done

STEPS: dict[str, str] = {
    "lithography": "Lithography",
    "oxide_etch": "Oxide etch",
    "resist_strip": "Resist strip",
    "parting": "Parting or undercut",
    "undercut": "Undercut",
    "fibre_preparation": "Fibre preparation",
    "taking": "Taking in hand",
    "reflow": "Reflow",
    "inspection": "Inspection",
    "scan": "Scan",
}
"""What a piece can wait for, in the order of work."""
LENT = ("lent", "sent")


@dataclass(frozen=True)
class Wait:
    """One thing a piece waits for; `count` of `of` devices where it is about devices. `href` logs it."""

    step: str
    words: str
    count: int | None
    of: int | None
    href: str


@dataclass(frozen=True)
class Waiting:
    """A piece, what it waits for, and how long nothing has been done on it."""

    piece: PieceRef
    waits: tuple[Wait, ...]
    last_deed_at: datetime
    since_s: float
    stalled: bool
    whereabouts: str
    place: str
    until: datetime | None
    overdue: bool
    oxide_um: float | None
    cycles: int | None

    @property
    def lent(self) -> bool:
        """Whether somebody else has it."""
        return self.whereabouts in LENT


@dataclass(frozen=True)
class _Counts:
    """Candidates on a piece that are still open: all, to shoot, to look at, to scan; and when one was last touched."""

    devices: int = 0
    open: int = 0
    to_shoot: int = 0
    to_look_at: int = 0
    passed: int = 0
    to_scan: int = 0
    last_deed_at: datetime | None = None


def waiting_pieces(session: Session, now: datetime, stalled_days: int) -> list[Waiting]:
    """Every living piece (not parted, ended, lost or gone); parted ones stand through their children."""
    facts = PIECE_FACTS.c
    alive = (facts.parted.is_(False), facts.ended.is_(False), facts.lost_at.is_(None), facts.whereabouts.not_in(GONE))
    rows = session.execute(select(PIECE_FACTS).where(*alive).order_by(facts.piece_code)).mappings().all()
    return _waiting(session, [dict(row) for row in rows], now, stalled_days)


def waiting_of(session: Session, piece_id: int, now: datetime, stalled_days: int) -> Waiting | None:
    """The same for one piece; None where nothing more will be done to it."""
    row = session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id == piece_id)).mappings().one_or_none()
    if row is None or row["parted"] or row["ended"] or row["lost_at"] or row["whereabouts"] in GONE:
        return None
    return _waiting(session, [dict(row)], now, stalled_days)[0]


def _waiting(session: Session, rows: Sequence[Mapping[str, Any]], now: datetime, stalled_days: int) -> list[Waiting]:
    counts = _counts(session, [row["piece_id"] for row in rows] if len(rows) == 1 else None)
    away = [row["piece_id"] for row in rows if row["whereabouts"] in LENT]
    until = _due_back(session, away)
    result: list[Waiting] = []
    for row in rows:
        have = counts.get(row["piece_id"], _Counts())
        piece = PieceRef(row["piece_id"], row["piece_code"], row["piece_kind"])
        last = max(filter(None, (row["last_deed_at"], have.last_deed_at)))
        waits = tuple(_waits(piece, row, have))
        due = until.get(piece.id)
        result.append(
            Waiting(
                piece=piece,
                waits=waits,
                last_deed_at=last,
                since_s=max(0.0, (now - last).total_seconds()),
                stalled=bool(waits) and now - last >= timedelta(days=stalled_days),
                whereabouts=row["whereabouts"],
                place=row["whereabouts_place"] or "",
                until=due,
                overdue=due is not None and due < now,
                oxide_um=row["oxide_um"],
                cycles=row["undercut_cycles"],
            )
        )
    return result


def _counts(session: Session, piece_ids: Sequence[int] | None) -> dict[int, _Counts]:
    facts = DEVICE_FACTS.c
    failed = or_(*[facts[f"{stage}_outcome"] == "failed" for stage in ALL_STAGES])
    is_open = facts.lost_at.is_(None) & failed.is_not(True) & (facts.purpose == "candidate")
    shot = facts.reflow_shots > 0
    outcome = func.coalesce(facts.reflowed_outcome, facts.melted_outcome)

    def many(condition: Any) -> Any:
        return func.sum(case((condition, 1), else_=0))

    statement = select(
        facts.piece_id,
        func.count(),
        many(is_open),
        many(is_open & ~shot & outcome.is_(None)),
        many(is_open & shot & outcome.is_(None)),
        many(is_open & (outcome == "passed")),
        many(is_open & (outcome == "passed") & (facts.scans == 0)),
        func.max(facts.last_deed_at),
    ).group_by(facts.piece_id)
    if piece_ids is not None:
        statement = statement.where(facts.piece_id.in_(piece_ids))
    return {row[0]: _Counts(*row[1:]) for row in session.execute(statement)}


def _due_back(session: Session, piece_ids: Sequence[int]) -> dict[int, datetime]:
    """When pieces that are away are due back, by the last word on where they are."""
    placed: Any = Whereabouts.__table__
    rows = session.execute(
        select(EventPiece.piece_id, placed.c.until)
        .join(Event, Event.id == EventPiece.event_id)
        .join(placed, placed.c.id == Event.id)
        .where(EventPiece.piece_id.in_(piece_ids), Event.voided_at.is_(None))
        .order_by(Event.done_at, Event.id)
    )
    return {row.piece_id: row.until for row in rows if row.until is not None}


def _waits(piece: PieceRef, row: Mapping[str, Any], have: _Counts) -> list[Wait]:
    step = _next_step(piece, row)
    if step:
        path = "parting" if step == "parting" else step.replace("_", "-")
        return [Wait(step, STEPS[step], None, None, f"/log/{path}?pieces={piece.code}")]
    if not have.devices:
        return [Wait("taking", STEPS["taking"], None, None, f"{piece.path}/take")]
    melted = "Melting" if piece.kind == "fibre_batch" else STEPS["reflow"]
    device_waits = (
        ("reflow", melted, have.to_shoot, have.open, f"/log/reflow-session?pieces={piece.code}"),
        ("inspection", STEPS["inspection"], have.to_look_at, have.open, f"/log/inspection?pieces={piece.code}"),
        ("scan", STEPS["scan"], have.to_scan, have.passed, f"{piece.path}?show=q_best#devices"),
    )
    return [Wait(step, words, count, of, href) for step, words, count, of, href in device_waits if count]


def _next_step(piece: PieceRef, row: Mapping[str, Any]) -> str:
    """The step of the piece itself that comes next; '' when the rest is up to its devices."""
    if piece.kind == "fibre_batch":
        return "" if "prepared" in stages_done(row, "microsphere") else "fibre_preparation"
    done = stages_done(row, "microtoroid")
    if "reflowed" in done or "undercut" in done:
        return ""
    if "oxide_etched" not in done:
        return "oxide_etch" if "patterned" in done else "lithography"
    if not row["resist_strip_count"] and row["arrived_stage"] != "oxide_etched":
        return "resist_strip"
    return "parting" if piece.kind == "wafer" else "undercut"
