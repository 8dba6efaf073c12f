"""Everything about one piece: what it is, where it comes from and went, its devices, its history."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import median
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.db.models.events import Event, EventPiece, Whereabouts
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Chip, Device, Lot, Mask, MaskArray, Piece, Wafer
from app.db.models.people import Operator
from app.queries.codes import PieceRef
from app.queries.histories import Happening, piece_history
from app.queries.maps import ArrayOnPiece, DeviceLine, arrays_on, devices_on
from app.queries.names import stalled_days
from app.queries.piece_sums import device_sums
from app.queries.waits import Waiting, waiting_of


@dataclass(frozen=True)
class Child:
    """A piece that came of a parting: how many devices it has and what became of it."""

    piece: PieceRef
    devices: int
    says: str


@dataclass(frozen=True)
class QSummary:
    """Best intrinsic Q of each device in the band and medium most were measured in; never pooled over others."""

    band: str
    medium: str
    median: float
    measured: int
    elsewhere: int


@dataclass(frozen=True)
class PieceSheet:
    """One piece. `facts` is its row of the device table; `details` what its kind keeps about it."""

    piece: PieceRef
    lineage: tuple[PieceRef, ...]
    """Youngest first; the piece itself leads."""
    children: tuple[Child, ...]
    registered_at: datetime
    registered_by: str
    note: str
    lot: str
    facts: Mapping[str, Any]
    details: Mapping[str, Any]
    masks: tuple[str, ...]
    arrays: tuple[ArrayOnPiece, ...]
    devices: tuple[DeviceLine, ...]
    history: tuple[Happening, ...]
    waiting: Waiting | None
    until: datetime | None
    pillar_ratio: float | None
    q: QSummary | None
    purposes: Mapping[str, int]


def piece_sheet(session: Session, piece_id: int, now: datetime) -> PieceSheet:
    """Everything the page of a piece shows. A parted piece shows the devices of its living descendants."""
    row = session.get_one(Piece, piece_id)
    piece = PieceRef(row.id, row.code, row.kind)
    lineage = lineage_of(session, piece)
    facts = dict(session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id == piece_id)).mappings().one())
    below = _descendants(session, piece_id)
    devices = devices_on(session, [piece_id, *below])
    arrays = arrays_on(session, piece_id, devices)
    history = piece_history(session, lineage)
    sums = device_sums(session, [piece_id, *below], melted=piece.kind == "fibre_batch")
    summed = {each.entry for each in sums}
    history = [*(each for each in history if each.entry not in summed), *_before_parting(sums, history)]
    ratios = [d.values["pillar_ratio"] for d in devices if d.values["pillar_ratio"] is not None]
    who = session.get(Operator, row.registered_by_id) if row.registered_by_id else None
    lot = session.get(Lot, row.lot_id) if row.lot_id else None
    return PieceSheet(
        piece=piece,
        lineage=tuple(lineage),
        children=tuple(_children(session, piece_id)),
        registered_at=row.registered_at,
        registered_by=who.initials if who else "",
        note=row.note or "",
        lot=lot.code if lot else "",
        facts=facts,
        details=_details(row),
        masks=tuple(_masks(session, [a.exposed.mask_array_id for a in arrays])),
        arrays=tuple(arrays),
        devices=tuple(devices),
        history=tuple(sorted(history, key=lambda h: (not h.inherited, _place(h, lineage), h.at, h.entry))),
        waiting=waiting_of(session, piece_id, now, stalled_days(session)),
        until=_until(session, piece_id),
        pillar_ratio=median(ratios) if ratios else None,
        q=q_summary(devices),
        purposes=Counter(d.purpose for d in devices),
    )


def q_summary(devices: Sequence[DeviceLine]) -> QSummary | None:
    """Median over devices of the highest accepted Q, in the most measured band and medium; None while nothing is."""
    places: dict[tuple[str, str], list[float]] = defaultdict(list)
    for device in devices:
        q = device.values["q_best"]
        if q is not None:
            places[device.band, device.medium].append(q)
    if not places:
        return None
    (band, medium), qs = max(places.items(), key=lambda item: (len(item[1]), item[0]))
    elsewhere = sum(len(each) for each in places.values()) - len(qs)
    return QSummary(band, medium, median(qs), len(qs), elsewhere)


def lineage_of(session: Session, piece: PieceRef) -> list[PieceRef]:
    """The piece and its ancestors, youngest first."""
    chain = [piece]
    while True:
        parent = session.execute(
            select(Piece.id, Piece.code, Piece.kind).where(
                Piece.id == select(Piece.parent_id).where(Piece.id == chain[-1].id).scalar_subquery()
            )
        ).one_or_none()
        if parent is None:
            return chain
        chain.append(PieceRef(parent.id, parent.code, parent.kind))


def _before_parting(sums: Sequence[Happening], history: Sequence[Happening]) -> list[Happening]:
    """What devices went through while they were still on an ancestor is inherited from that ancestor."""
    partings = [(h.at, h.piece_code) for h in history if h.kind == "parting" and h.inherited and not h.voided]
    result: list[Happening] = []
    for told in sums:
        on = next((code for at, code in sorted(partings) if told.at < at), "")
        result.append(replace(told, inherited=True, piece_code=on) if on else told)
    return result


def _place(happening: Happening, lineage: Sequence[PieceRef]) -> int:
    """Eldest ancestor first; deeds of devices belong to the piece itself."""
    codes = [each.code for each in reversed(lineage)]
    return codes.index(happening.piece_code) if happening.piece_code in codes else len(codes) - 1


def _descendants(session: Session, piece_id: int) -> list[int]:
    found: list[int] = []
    fresh = [piece_id]
    while fresh:
        fresh = list(session.scalars(select(Piece.id).where(Piece.parent_id.in_(fresh))))
        found += fresh
    return found


def _children(session: Session, piece_id: int) -> list[Child]:
    facts = PIECE_FACTS.c
    rows = session.execute(
        select(Piece.id, Piece.code, Piece.kind, facts.parted, facts.ended, facts.lost_at, facts.whereabouts)
        .join(PIECE_FACTS, facts.piece_id == Piece.id)
        .where(Piece.parent_id == piece_id)
        .order_by(Piece.code)
    ).all()
    counts = dict(
        session.execute(
            select(Device.piece_id, func.count())
            .where(Device.piece_id.in_([row.id for row in rows]))
            .group_by(Device.piece_id)
        ).all()
    )
    result: list[Child] = []
    for row in rows:
        says = "parted" if row.parted else "lost" if row.lost_at else "ended" if row.ended else ""
        says = says or ("" if row.whereabouts == "in_lab" else row.whereabouts.replace("_", " "))
        result.append(Child(PieceRef(row.id, row.code, row.kind), counts.get(row.id, 0), says))
    return result


def _details(row: Piece) -> dict[str, Any]:
    names: tuple[str, ...] = ("ends",)
    if isinstance(row, Wafer):
        names = ("diameter_mm", "shape", "orientation", "dopant", "resistivity_ohm_cm", "oxide_grown", "oxide_sides",
                 "oxide_um")  # fmt: skip
    elif isinstance(row, Chip):
        names = ("width_mm", "height_mm", "thickness_um", "backside", "orientation_mark", "container", "slot")
    return {name: getattr(row, name) for name in names}


def _masks(session: Session, arrays: Sequence[int]) -> list[str]:
    statement = select(Mask.code).join(MaskArray, MaskArray.mask_id == Mask.id).where(MaskArray.id.in_(arrays))
    return sorted(set(session.scalars(statement)))


def _until(session: Session, piece_id: int) -> datetime | None:
    placed: Any = Whereabouts.__table__
    return session.scalar(
        select(placed.c.until)
        .join(EventPiece, EventPiece.event_id == placed.c.id)
        .join(Event, Event.id == placed.c.id)
        .where(EventPiece.piece_id == piece_id, Event.voided_at.is_(None))
        .order_by(Event.done_at.desc(), Event.id.desc())
        .limit(1)
    )
