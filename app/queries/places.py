"""What a typed or read code names: a device, or a site or fibre end that may become one."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.sites import SITE_CODE, fibre_end_code, site_code
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Device, FibreBatch, Piece
from app.queries.sites import exposures_on, lineage_ids

_SHORT = re.compile(r"(?:(?P<number>\d+)-)?(?P<row>\d{2,})(?P<column>\d{2})")
_END = re.compile(r"(?P<batch>.+)-(?P<end>\d{1,4})")


@dataclass(frozen=True)
class Place:
    """A device (`device_id`), or the place of one not yet in hand: a site of an exposure, or a fibre end."""

    code: str
    piece_id: int
    device_id: int | None = None
    exposure: int = 0
    site: tuple[int, int] = (0, 0)
    end: int = 0


@dataclass(frozen=True)
class NoPlace:
    """Why what was typed names no device."""

    text: str


def places_named(session: Session, typed: Sequence[str], piece_id: int | None = None) -> list[Place | NoPlace]:
    """What each text names: a device's code, or on the piece `piece_id` a short site such as 0407, 2-0407 or end 5.

    With `piece_id`, whatever is named must be on that piece.
    """
    piece = session.get(Piece, piece_id) if piece_id is not None else None
    keys = {text.strip().casefold() for text in typed}
    devices = {row.code_key: row for row in session.scalars(select(Device).where(Device.code_key.in_(keys)))}
    found: list[Place | NoPlace] = []
    for text in typed:
        code = text.strip()
        device = devices.get(code.casefold())
        place = _of_device(device) if device else _site(session, code, piece)
        if isinstance(place, Place) and place.device_id is None:
            same = session.scalar(select(Device).where(Device.code_key == place.code.casefold()))
            place = _of_device(same) if same else place
        if piece is not None and isinstance(place, Place) and place.piece_id != piece.id:
            other = session.get_one(Piece, place.piece_id)
            place = NoPlace(f"{place.code} is on {other.code}, not on {piece.code}")
        found.append(place)
    return found


def _of_device(device: Device) -> Place:
    return Place(device.code, device.piece_id, device.id)


def _site(session: Session, code: str, piece: Piece | None) -> Place | NoPlace:
    if not code:
        return NoPlace("Name the device")
    if piece is not None:
        short = _short(session, code, piece)
        if short is not None:
            return short
    if found := SITE_CODE.fullmatch(code):
        root = _piece(session, found["root"])
        if root is not None and not isinstance(root, FibreBatch):
            site = (int(found["row"]), int(found["column"]))
            return _held(session, root, int(found["number"]), site, first=piece)
    if found := _END.fullmatch(code):
        batch = _piece(session, found["batch"])
        if isinstance(batch, FibreBatch):
            return _fibre_end(batch, int(found["end"]))
    if _piece(session, code) is not None:
        return NoPlace(f"{code.upper()} is a piece; name one device on it")
    return NoPlace(f"“{code}” is no device, site or fibre end known here")


def _piece(session: Session, code: str) -> Piece | None:
    return session.scalar(select(Piece).where(Piece.code_key == code.casefold()))


def _short(session: Session, code: str, piece: Piece) -> Place | NoPlace | None:
    if isinstance(piece, FibreBatch):
        return _fibre_end(piece, int(code)) if code.isdecimal() and len(code) < 5 else None
    found = _SHORT.fullmatch(code)
    if found is None:
        return None
    held = exposures_on(session, piece.id)
    if not held:
        return NoPlace(f"{piece.code} has no mask array exposed on it, so it has no sites yet")
    if found["number"] is None and len(held) > 1:
        numbers = ", ".join(f"{each.number}-{code}" for each in held)
        return NoPlace(f"{piece.code} has several arrays: write {numbers}")
    number = int(found["number"]) if found["number"] else held[0].number
    root = session.get_one(Piece, lineage_ids(session, piece.id)[-1])
    return _held(session, root, number, (int(found["row"]), int(found["column"])), first=piece)


def _held(session: Session, root: Piece, number: int, site: tuple[int, int], first: Piece | None) -> Place | NoPlace:
    """The piece that holds a site now: `first` if it does, else any of the family that was not parted."""
    code = site_code(root.code, number, *site)
    facts = PIECE_FACTS.c
    family = session.scalars(
        select(facts.piece_id).where(facts.root_id == root.id, facts.parted.is_(False)).order_by(facts.piece_id)
    ).all()
    candidates = [first.id] if first is not None and first.id in family else []
    for piece_id in [*candidates, *family]:
        for exposed in exposures_on(session, piece_id):
            if exposed.number == number and exposed.holds(*site):
                return Place(code, piece_id, exposure=number, site=site)
    return NoPlace(f"No piece holds the site {code} (array {number}, row {site[0]}, column {site[1]})")


def _fibre_end(batch: FibreBatch, end: int) -> Place | NoPlace:
    if not 1 <= end <= batch.ends:
        return NoPlace(f"{batch.code} has ends 1 to {batch.ends}; there is no end {end}")
    return Place(fibre_end_code(batch.code, end), batch.id, end=end)
