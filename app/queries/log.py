"""What a person chooses from when logging: living pieces with what they wait for, and steps that were forgotten."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.step_catalogue import PIECE_STEPS
from app.core.vocab import GONE, PIECE_KINDS, STAGE_STEP, WHEREABOUTS
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Device, Piece
from app.queries.records import address_of
from app.queries.standing import next_stage, stages_done


@dataclass(frozen=True)
class PieceRow:
    """A piece in work: `waits_for` is the step kind that comes next, `since` its last deed."""

    id: int
    code: str
    kind: str
    kind_word: str
    href: str
    waits_for: str
    waits_words: str
    since: datetime
    devices: int
    where: str
    """Where it is, if not in the lab."""
    alive: bool


def living_pieces(session: Session) -> list[PieceRow]:
    """Pieces something can still be done to, by the step they wait for, the longest waiting first."""
    facts = PIECE_FACTS.c
    rows = _rows(
        session,
        facts.parted.is_(False),
        facts.ended.is_(False),
        facts.lost_at.is_(None),
        facts.whereabouts.not_in(GONE),
    )
    order = [*PIECE_STEPS, "reflow"]
    return sorted(rows, key=lambda row: (order.index(row.waits_for), row.since, row.code))


def pieces_called(session: Session, codes: Sequence[str]) -> tuple[list[PieceRow], list[str]]:
    """Pieces by their codes, in that order and each once, and the codes nobody knows."""
    keys = list(dict.fromkeys(code.strip().casefold() for code in codes if code.strip()))
    ids = dict(session.execute(select(Piece.code_key, Piece.id).where(Piece.code_key.in_(keys))).all())
    by_id = {row.id: row for row in _rows(session, PIECE_FACTS.c.piece_id.in_(ids.values()))}
    found = [by_id[ids[key]] for key in keys if key in ids]
    known = set(ids)
    unknown = [code.strip() for code in codes if code.strip() and code.strip().casefold() not in known]
    return found, list(dict.fromkeys(unknown))


def forgotten_before(session: Session, kind: str, piece_ids: Sequence[int]) -> list[tuple[str, str]]:
    """(step kind, words) of the steps that must have been done before but are logged on none of these pieces."""
    needed: list[str] = []
    fresh = list(PIECE_STEPS[kind].needs) if kind in PIECE_STEPS else []
    while fresh:
        name = fresh.pop()
        if name not in needed:
            needed.append(name)
            fresh += PIECE_STEPS[name].needs
    rows = session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id.in_(piece_ids))).mappings().all()
    lacking = []
    for name in sorted(needed, key=lambda each: PIECE_STEPS[each].order):
        codes = [row["piece_code"] for row in rows if not _was_done(dict(row), name)]
        if codes and len(codes) == len(rows):
            lacking.append((name, f"{PIECE_STEPS[name].label} is not logged on {', '.join(codes)}"))
    return lacking


def _was_done(row: Mapping[str, Any], step: str) -> bool:
    stage = PIECE_STEPS[step].stage
    return bool(row[f"{step}_count"]) or (bool(stage) and stage in stages_done(row, "microtoroid"))


def _rows(session: Session, *where: Any) -> list[PieceRow]:
    facts = PIECE_FACTS.c
    counts = select(Device.piece_id, func.count().label("devices")).group_by(Device.piece_id).subquery()
    statement = (
        select(PIECE_FACTS, func.coalesce(counts.c.devices, 0).label("devices"))
        .outerjoin(counts, counts.c.piece_id == facts.piece_id)
        .where(*where)
    )
    pieces = {piece.id: piece for piece in session.scalars(select(Piece))}
    return [_row(dict(row), pieces[row["piece_id"]]) for row in session.execute(statement).mappings()]


def _row(row: Mapping[str, Any], piece: Piece) -> PieceRow:
    waits_for = STAGE_STEP[next_stage(row, "microsphere" if piece.kind == "fibre_batch" else "microtoroid")]
    alive = not (row["parted"] or row["ended"] or row["lost_at"] is not None or row["whereabouts"] in GONE)
    words = "Reflow shots" if waits_for == "reflow" else PIECE_STEPS[waits_for].label
    if piece.kind == "fibre_batch" and waits_for == "reflow":
        words = "Melting"
    where = "" if row["whereabouts"] == "in_lab" else WHEREABOUTS.get(row["whereabouts"], row["whereabouts"])
    return PieceRow(
        id=piece.id,
        code=piece.code,
        kind=piece.kind,
        kind_word=PIECE_KINDS[piece.kind],
        href=address_of(piece),
        waits_for=waits_for,
        waits_words=words,
        since=row["last_deed_at"],
        devices=row["devices"],
        where=where,
        alive=alive,
    )
