"""What the lab itself has to say for a plan: its oxide rates, a piece's pillars and dose, the shots it fired."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from statistics import median

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.process.oxide_etch import measured_rate_nm_per_min
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Piece
from app.db.models.seen import UndercutMeasurement
from app.db.models.steps import ReflowSession, ReflowShot
from app.queries.codes import PieceRef, piece_by_code

SEEN_ENDS = ("dewets", "monitor")
SIZE_BAND = 0.1
"""Discs within ±10 % of the size asked for count as of its size."""


def no_piece_yet(session: Session) -> bool:
    """Whether nothing was ever registered here, so that the lab's own records cannot help."""
    return session.scalar(select(Piece.id).limit(1)) is None


@dataclass(frozen=True)
class OxideRate:
    """One recorded etch whose end was seen: nm/min, and the bath it was in."""

    code: str
    at: datetime
    rate_nm_per_min: float
    bath_c: float | None
    etchant: str


def oxide_rates(session: Session, most: int = 5) -> tuple[OxideRate, ...]:
    """The lab's last oxide rates, newest first, R = d (1 + over-etch)/t.

    Only pieces etched once, of known thickness, whose end was seen: a timed etch does not say when the film was gone.
    """
    p = PIECE_FACTS.c
    rows = session.execute(
        select(PIECE_FACTS)
        .where(p.oxide_etch_count == 1, p.oxide_um > 0, p.oxide_etch_etch_s > 0)
        .where(p.oxide_etch_end_point.in_(SEEN_ENDS))
        .order_by(p.oxide_etch_at.desc(), p.piece_id)
        .limit(2000)
    ).mappings()
    found: dict[int, OxideRate] = {}
    for row in rows:
        removed = row["oxide_um"] * 1e3 * max(0.0, 1 + (row["oxide_etch_over_etch_percent"] or 0) / 100)
        rate = measured_rate_nm_per_min(removed, row["oxide_etch_etch_s"])
        found.setdefault(
            row["oxide_etch_event_id"],
            OxideRate(
                row["piece_code"],
                row["oxide_etch_at"],
                rate,
                row["oxide_etch_bath_c"],
                row["oxide_etch_etchant_ratio"] or "",
            ),
        )
    return tuple(list(found.values())[:most])


@dataclass(frozen=True)
class PieceUndercut:
    """What is known of a piece's undercut; None where it is not. `stale`: measured before its last undercut."""

    piece: PieceRef
    disc_um: float | None
    undercut_um: float | None
    discs: int
    dose_torr_s: float | None
    cycle_s: float | None
    xef2_torr: float | None
    stale: bool


def piece_undercut(session: Session, code: str) -> PieceUndercut | None:
    """Medians over the discs of the piece called `code` that were measured; None where no piece is called so."""
    piece = piece_by_code(session, code)
    if piece is None:
        return None
    p = PIECE_FACTS.c
    run = session.execute(select(PIECE_FACTS).where(p.piece_id == piece.id)).mappings().one_or_none()
    last = run["undercut_at"] if run else None
    every = _measured_discs(session, piece.id)
    fresh = [disc for disc in every if last is None or disc[2] is None or disc[2] >= last]
    return PieceUndercut(
        piece,
        median(disc for disc, _, _ in fresh) if fresh else None,
        median(under for _, under, _ in fresh) if fresh else None,
        len(fresh),
        run["undercut_dose_torr_s"] if run else None,
        run["undercut_cycle_s"] if run else None,
        run["undercut_xef2_torr"] if run else None,
        bool(every and not fresh),
    )


def _measured_discs(session: Session, piece_id: int) -> list[tuple[float, float, datetime | None]]:
    """Disc, undercut per side and time of the last measurement, of each disc of the piece that has them."""
    d, m = DEVICE_FACTS.c, UndercutMeasurement
    newest = (
        select(m.device_id, func.max(m.done_at).label("at"))
        .where(m.voided_at.is_(None))
        .group_by(m.device_id)
        .subquery()
    )
    rows = session.execute(
        select(d.disc_um, d.undercut_um, newest.c.at)
        .outerjoin(newest, newest.c.device_id == d.device_id)
        .where(d.piece_id == piece_id, d.disc_um.is_not(None), d.undercut_um.is_not(None))
    )
    return [(disc, under, at) for disc, under, at in rows]


@dataclass(frozen=True)
class Shot:
    """One shot fired at a disc of the size asked for."""

    power_w: float
    exposure_s: float
    spot_um: float | None
    outcome: str
    session_id: int | None
    at: datetime


def shots_like(session: Session, kind: str, size_um: float) -> tuple[Shot, ...]:
    """Reflow shots of known power and exposure on devices of this kind and of `size_um` within ±10 %."""
    d, sitting = DEVICE_FACTS.c, ReflowSession.__table__
    size = func.coalesce(d.disc_um, d.nominal_um)
    rows = session.execute(
        select(ReflowShot, sitting.c.spot_um)
        .select_from(ReflowShot)
        .join(DEVICE_FACTS, d.device_id == ReflowShot.device_id)
        .outerjoin(sitting, sitting.c.id == ReflowShot.session_id)
        .where(d.device_kind == kind, size.between(size_um * (1 - SIZE_BAND), size_um * (1 + SIZE_BAND)))
        .where(ReflowShot.purpose == "reflow", ReflowShot.voided_at.is_(None))
        .order_by(ReflowShot.done_at.desc(), ReflowShot.id.desc())
    )
    return tuple(
        Shot(shot.power_w, float(exposure), spot, shot.outcome or "", shot.session_id, shot.done_at)
        for shot, spot in rows
        if shot.power_w is not None and (exposure := getattr(shot, "exposure_s", None)) is not None
    )
