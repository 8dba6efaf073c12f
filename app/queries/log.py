"""What a person chooses from when logging: pieces by their codes, steps that were forgotten, stages a piece is at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.step_catalogue import PIECE_STEPS
from app.core.vocab import STAGES
from app.db.models.audit import Submission
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Piece
from app.queries.codes import PieceRef, pieces_by_code
from app.queries.names import stalled_days
from app.queries.places import NoPlace, places_named
from app.queries.standing import stages_done
from app.queries.waits import STEPS, Waiting, waiting_pieces


def pieces_called(session: Session, codes: Sequence[str]) -> tuple[list[PieceRef], list[str]]:
    """Pieces by their codes, in that order and each once, and the codes nobody knows."""
    wanted = list(dict.fromkeys(code.strip().casefold() for code in codes if code.strip()))
    by_key = {piece.code.casefold(): piece for piece in pieces_by_code(session, wanted)}
    unknown = [code.strip() for code in codes if code.strip() and code.strip().casefold() not in by_key]
    return [by_key[key] for key in wanted if key in by_key], list(dict.fromkeys(unknown))


def piece_of(session: Session, device: str) -> PieceRef | None:
    """The piece that a device, site or fibre end is on."""
    (place,) = places_named(session, [device])
    if isinstance(place, NoPlace):
        return None
    piece = session.get_one(Piece, place.piece_id)
    return PieceRef(piece.id, piece.code, piece.kind)


def saved_as(session: Session, key: str | None) -> str:
    """The address that was answered when a form with this key was saved; the log where that is not known."""
    known = session.get(Submission, key) if key else None
    return str(known.result) if known is not None and known.result else "/log"


def waiting_groups(session: Session, now: datetime) -> list[tuple[str, tuple[Waiting, ...]]]:
    """Every living piece once, under what it waits for first, the longest waiting first; those at rest come last."""
    groups: dict[str, list[Waiting]] = {}
    words = {"": "Nothing waits here"}
    for each in waiting_pieces(session, now, stalled_days(session)):
        wait = each.waits[0] if each.waits else None
        groups.setdefault(wait.step if wait else "", []).append(each)
        if wait:
            words[wait.step] = wait.words
    order = [*STEPS, ""]
    return [
        (words[step], tuple(sorted(groups[step], key=lambda each: -each.since_s)))
        for step in sorted(groups, key=order.index)
    ]


def forgotten_before(session: Session, kind: str, piece_ids: Sequence[int]) -> list[tuple[str, str]]:
    """(step kind, words) of the steps that must have been done before but are logged on none of these pieces."""
    needed: list[str] = []
    fresh = list(PIECE_STEPS[kind].needs) if kind in PIECE_STEPS else []
    while fresh:
        name = fresh.pop()
        if name not in needed:
            needed.append(name)
            fresh += PIECE_STEPS[name].needs
    rows = _facts(session, piece_ids)
    codes = ", ".join(row["piece_code"] for row in rows)
    return [
        (name, f"{PIECE_STEPS[name].label}, not logged on {codes}")
        for name in sorted(needed, key=lambda each: PIECE_STEPS[each].order)
        if rows and not any(_was_done(row, name) for row in rows)
    ]


def last_stage_done(session: Session, piece: PieceRef) -> str:
    """The last stage a piece has been through; the first where it has been through none."""
    kind = "microsphere" if piece.kind == "fibre_batch" else "microtoroid"
    rows = _facts(session, [piece.id])
    done = stages_done(rows[0], kind) if rows else frozenset()
    return next((stage for stage in reversed(list(STAGES[kind])) if stage in done), next(iter(STAGES[kind])))


def _facts(session: Session, piece_ids: Sequence[int]) -> list[Mapping[str, Any]]:
    statement = select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id.in_(piece_ids)).order_by(PIECE_FACTS.c.piece_code)
    return [dict(row) for row in session.execute(statement).mappings()]


def _was_done(row: Mapping[str, Any], step: str) -> bool:
    stage = PIECE_STEPS[step].stage
    return bool(row[f"{step}_count"]) or (bool(stage) and stage in stages_done(row, "microtoroid"))
