"""Pieces and devices as a deed names them; a site or fibre end named for the first time is taken in hand."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.actions.taking import take_fibre_ends, take_sites
from app.core.refusal import Refusal, Where
from app.db.models.material import Device, FibreBatch, Piece
from app.db.session import Writing
from app.queries.places import NoPlace, Place, places_named


def pieces_named(session: Session, ids: Sequence[int]) -> list[Piece]:
    """The pieces with these ids, in that order."""
    if not ids:
        raise Refusal.of("Choose at least one piece.", at="pieces")
    if len(set(ids)) != len(ids):
        raise Refusal.of("A piece is named twice.", at="pieces")
    found = {piece.id: piece for piece in session.scalars(select(Piece).where(Piece.id.in_(ids)))}
    if len(found) != len(ids):
        raise Refusal.of("One of the pieces is not known here.", at="pieces")
    return [found[piece_id] for piece_id in ids]


def devices_named(
    writing: Writing,
    typed: Sequence[str],
    *,
    piece_id: int | None = None,
    done_at: datetime | None = None,
    purposes: Sequence[str] = (),
    twice: bool = True,
) -> list[Device]:
    """The device each row names, in order; `purposes` are for those that must first be taken in hand.

    Raises a Refusal at (row, 'device') for each name that means nothing, and with `twice=False` for a repeated one.
    """
    places = places_named(writing.session, typed, piece_id)
    errors: dict[Where, str] = {
        (row, "device"): place.text for row, place in enumerate(places) if isinstance(place, NoPlace)
    }
    named = [place for place in places if isinstance(place, Place)]
    if not errors and not twice:
        first: dict[str, int] = {}
        for row, place in enumerate(named):
            if first.setdefault(place.code, row) != row:
                errors[row, "device"] = f"{place.code} is named in row {first[place.code] + 1} already"
    if errors:
        raise Refusal(errors)
    _take(writing, named, purposes, done_at)
    codes = {place.code for place in named}
    devices = {row.code: row for row in writing.session.scalars(select(Device).where(Device.code.in_(codes)))}
    return [devices[place.code] for place in named]


def _take(writing: Writing, places: Sequence[Place], purposes: Sequence[str], done_at: datetime | None) -> None:
    sites: dict[tuple[int, int, str], list[tuple[int, int]]] = defaultdict(list)
    ends: dict[tuple[int, str], list[int]] = defaultdict(list)
    seen: set[str] = set()
    for row, place in enumerate(places):
        if place.device_id is not None or place.code in seen:
            continue
        seen.add(place.code)
        purpose = purposes[row] if purposes else "candidate"
        if place.end:
            ends[place.piece_id, purpose].append(place.end)
        else:
            sites[place.piece_id, place.exposure, purpose].append(place.site)
    for (piece_id, exposure, purpose), some in sites.items():
        piece = writing.session.get_one(Piece, piece_id)
        take_sites(writing, piece, exposure, some, purpose=purpose, done_at=done_at)
    for (piece_id, purpose), numbers in ends.items():
        batch = writing.session.get_one(FibreBatch, piece_id)
        take_fibre_ends(writing, batch, numbers, purpose=purpose, done_at=done_at)
