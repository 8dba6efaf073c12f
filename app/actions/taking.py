"""Taking sites and fibre ends in hand: a place becomes a device."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select

from app.actions.rules import NEW, check_new_deeds, event_times
from app.core.refusal import Refusal
from app.core.sites import fibre_end_code, site_code
from app.core.timeline import Deed
from app.db.models.events import EventPiece, Taking
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Device, FibreBatch, Piece
from app.db.session import Writing
from app.queries.sites import exposures_on, lineage_ids


def take_sites(
    writing: Writing,
    piece: Piece,
    exposure_number: int,
    sites: Sequence[tuple[int, int]],
    *,
    purpose: str = "candidate",
    words: str = "",
    done_at: datetime | None = None,
) -> list[Device]:
    """Take mask sites (row, column) of one exposure on `piece` in hand; those already in hand are left as they are.

    Returns the new devices. Raises Refusal for a site the piece does not hold.
    """
    exposed = next((each for each in exposures_on(writing.session, piece.id) if each.number == exposure_number), None)
    if exposed is None:
        raise Refusal.of(f"{piece.code} holds no exposure {exposure_number}.", at="sites")
    outside = [site for site in sites if not exposed.holds(*site)]
    if outside:
        row, column = outside[0]
        raise Refusal.of(f"Row {row}, column {column} is not on {piece.code}.", at="sites")
    held = select(Device.row, Device.column).where(Device.exposure_id == exposed.exposure_id)
    known = {(row, column) for row, column in writing.session.execute(held)}
    fresh = [site for site in sites if site not in known]
    if not fresh:
        return []
    taking = _taking(writing, piece, purpose, len(fresh), words or f"{len(fresh)} sites", done_at)
    root = writing.session.get_one(Piece, lineage_ids(writing.session, piece.id)[-1])
    devices = []
    for row, column in fresh:
        code = site_code(root.code, exposed.number, row, column)
        devices.append(
            Device(
                code=code,
                code_key=code.casefold(),
                kind="microtoroid",
                piece_id=piece.id,
                taking_id=taking.id,
                exposure_id=exposed.exposure_id,
                row=row,
                column=column,
                nominal_um=exposed.array.size_um(row),
                purpose=purpose,
            )
        )
    writing.add(*devices)
    return devices


def take_fibre_ends(
    writing: Writing,
    batch: FibreBatch,
    ends: Sequence[int],
    *,
    purpose: str = "candidate",
    done_at: datetime | None = None,
) -> list[Device]:
    """Take fibre ends (numbered from 1) in hand; those in hand already stay as they are. Returns the new devices."""
    outside = [end for end in ends if not 1 <= end <= batch.ends]
    if outside:
        raise Refusal.of(f"{batch.code} has ends 1 to {batch.ends}; there is no end {outside[0]}.", at="ends")
    known = set(writing.session.scalars(select(Device.code).where(Device.piece_id == batch.id)))
    codes = [fibre_end_code(batch.code, end) for end in ends]
    fresh = [code for code in codes if code not in known]
    if not fresh:
        return []
    taking = _taking(writing, batch, purpose, len(fresh), f"{len(fresh)} fibre ends", done_at)
    devices = [
        Device(
            code=code,
            code_key=code.casefold(),
            kind="microsphere",
            piece_id=batch.id,
            taking_id=taking.id,
            purpose=purpose,
        )
        for code in fresh
    ]
    writing.add(*devices)
    return devices


def _taking(writing: Writing, piece: Piece, purpose: str, count: int, words: str, done_at: datetime | None) -> Taking:
    times = event_times(writing, done_at)
    _check_whole(writing, piece)
    check_new_deeds(writing, [piece.id], [Deed(NEW, times["done_at"], "taking", (piece.id,), label="Taking in hand")])
    taking = Taking(**times, operator_id=writing.operator_id, purpose=purpose, count=count, sites=words)
    writing.add(taking)
    writing.add(EventPiece(event_id=taking.id, piece_id=piece.id))
    return taking


def _check_whole(writing: Writing, piece: Piece) -> None:
    """Sites of a parted piece are on those that came of it, whenever they are said to be taken in hand."""
    facts = PIECE_FACTS.c
    if writing.session.scalar(select(facts.parted).where(facts.piece_id == piece.id)):
        children = writing.session.scalars(select(Piece.code).where(Piece.parent_id == piece.id).order_by(Piece.id))
        codes = ", ".join(children)
        raise Refusal.of(f"{piece.code} was parted: take sites in hand on the piece that holds them ({codes}).")
