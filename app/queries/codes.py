"""What a code read or typed anywhere leads to, and what it may have been meant to be."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.sites import SITE_CODE, fibre_end_code
from app.db.models.material import Device, FibreBatch, Lot, Mask, Piece
from app.db.models.people import Tool
from app.queries.sites import exposures_on

PATHS = {"wafer": "wafers", "chip": "chips", "fibre_batch": "fibres"}
NEAR = 6
MOST = 4000
"""Codes looked through for near matches: what was meant is nearly always among the latest."""


@dataclass(frozen=True)
class PieceRef:
    """A piece by id, code and kind."""

    id: int
    code: str
    kind: str

    @property
    def path(self) -> str:
        """Its page."""
        return f"/{PATHS[self.kind]}/{self.code}"


@dataclass(frozen=True)
class Found:
    """A code and the page it leads to; `what` says in a word what it is."""

    code: str
    path: str
    what: str


@dataclass(frozen=True)
class NotFound:
    """Nothing has this code: a site that is not in hand yet (`take_on`, `site`), or codes like it."""

    typed: str
    near: tuple[Found, ...] = ()
    take_on: PieceRef | None = None
    site: str = ""


def piece_by_code(session: Session, code: str) -> PieceRef | None:
    """The piece with this code, whatever its case."""
    row = session.execute(
        select(Piece.id, Piece.code, Piece.kind).where(Piece.code_key == tidy(code).casefold())
    ).one_or_none()
    return PieceRef(row.id, row.code, row.kind) if row else None


def pieces_by_code(session: Session, codes: list[str]) -> list[PieceRef]:
    """The pieces with these codes, in that order; unknown ones are left out."""
    found = [piece_by_code(session, code) for code in codes]
    return [piece for piece in found if piece is not None]


def tidy(code: str) -> str:
    """A code without the spaces a reader or a person put round or into it."""
    return "".join(code.split())[:80]


def find(session: Session, typed: str) -> Found | NotFound:
    """Where `typed` leads: a piece, device, lot, mask or tool; else what it may have been meant to be."""
    key = tidy(typed).casefold()
    piece = piece_by_code(session, key)
    if piece:
        return Found(piece.code, piece.path, piece.kind)
    device = session.scalar(select(Device.code).where(Device.code_key == key))
    if device:
        return Found(device, f"/devices/{device}", "device")
    for model, path, what in ((Lot, "/lab/lots", "lot"), (Mask, "/lab/masks", "mask"), (Tool, "/lab/tools", "tool")):
        code = session.scalar(select(model.code).where(model.code_key == key))
        if code:
            return Found(code, f"{path}/{code}", what)
    free = _free_site(session, key) or _free_end(session, key)
    return free or NotFound(tidy(typed), _near(session, key))


def _free_site(session: Session, key: str) -> NotFound | None:
    """A site that exists on a piece though nobody has taken it in hand."""
    parts = SITE_CODE.fullmatch(key)
    root = piece_by_code(session, parts["root"]) if parts else None
    if parts is None or root is None:
        return None
    number, row, column = int(parts["number"]), int(parts["row"]), int(parts["column"])
    fresh = [root.id]
    while fresh:
        children: list[int] = []
        for piece_id in fresh:
            below = list(session.scalars(select(Piece.id).where(Piece.parent_id == piece_id)))
            held = any(e.number == number and e.holds(row, column) for e in exposures_on(session, piece_id))
            if held and not below:
                piece = session.get_one(Piece, piece_id)
                ref = PieceRef(piece.id, piece.code, piece.kind)
                return NotFound(key.upper(), take_on=ref, site=f"{number}-{row:02d}{column:02d}")
            children += below
        fresh = children
    return None


def _free_end(session: Session, key: str) -> NotFound | None:
    """A fibre end that nobody has taken in hand."""
    batch, _, end = key.rpartition("-")
    ref = piece_by_code(session, batch) if end.isdecimal() and len(end) < 4 else None
    if ref is None or ref.kind != "fibre_batch":
        return None
    table = FibreBatch.__table__
    ends = session.scalar(select(table.c.ends).where(table.c.id == ref.id)) or 0
    if not 1 <= int(end) <= ends:
        return None
    return NotFound(fibre_end_code(ref.code, int(end)), take_on=ref, site=str(int(end)))


def _near(session: Session, key: str) -> tuple[Found, ...]:
    pieces = {
        row.code_key: PieceRef(row.id, row.code, row.kind)
        for row in session.execute(
            select(Piece.id, Piece.code, Piece.code_key, Piece.kind).order_by(Piece.id.desc()).limit(MOST)
        )
    }
    devices = dict(
        session.execute(
            select(Device.code_key, Device.code)
            .where(Device.code_key.startswith(key[:4], autoescape=True))
            .order_by(Device.id.desc())
            .limit(MOST)
        ).all()
    )
    like = difflib.get_close_matches(key, [*pieces, *devices], n=NEAR, cutoff=0.6)
    begins = [code for code in [*pieces, *devices] if len(key) > 1 and code.startswith(key)]
    chosen = list(dict.fromkeys([*like, *begins]))[:NEAR]
    return tuple(
        Found(pieces[code].code, pieces[code].path, pieces[code].kind)
        if code in pieces
        else Found(devices[code], f"/devices/{devices[code]}", "device")
        for code in chosen
    )
