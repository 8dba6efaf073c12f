"""Everything that must never be in a lab, looked for in one as it stands."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.timeline import replay
from app.core.vocab import STAGES
from app.db.models.events import Event, EventPiece
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Device, Piece
from app.db.session import Database
from app.files import FileStore
from app.queries.timeline import family_of
from app.queries.verify import verify
from app.queries.yields import YieldAsk, yield_figures
from tests.log_lab import NOW

UTC_ZONE = ZoneInfo("UTC")


def faults_of(database: Database, files: FileStore) -> list[str]:
    """Everything that must never be, found in the lab as it stands; empty where all is well."""
    found = list(verify(database, files).faults)
    with database.reading() as session:
        found += impossible(session)
    return found


def impossible(session: Session) -> list[str]:
    """Impossible states: violations of a replay, devices off their piece, shared sites, counts that do not add up."""
    pieces = session.scalars(select(Piece.id)).all()
    family, deeds = family_of(session, pieces)
    found = [violation.text for violation in replay(deeds, family, now=NOW).violations]
    found += _homeless(session)
    return [*found, *_sums(session)]


def _sums(session: Session) -> list[str]:
    """Yield, stage by stage: every device that counts is in one state, and no device in two."""
    found = []
    for kind in STAGES:
        figures = yield_figures(session, YieldAsk(kind), now=NOW, zone=UTC_ZONE)
        for stage in figures.table.stages:
            facts = DEVICE_FACTS.c
            counting = select(func.count()).where(facts.device_kind == kind, facts[f"{stage.stage}_counts"].is_(True))
            if stage.counted != session.scalar(counting):
                found.append(f"{stage.stage}: {dict(stage.counts)} are not the {session.scalar(counting)} that count")
    return found


def _homeless(session: Session) -> list[str]:
    parted = set(
        session.scalars(
            select(EventPiece.piece_id).join(Event).where(Event.kind == "parting", Event.voided_at.is_(None))
        )
    )
    lost = set(
        session.scalars(select(Event.device_id).where(Event.kind.in_(("loss", "reflow")), Event.voided_at.is_(None)))
    )
    rows = session.execute(
        select(Device.id, Device.code, Device.piece_id, Device.exposure_id, Device.row, Device.column)
    )
    found, sites = [], set()
    for row in rows:
        if row.piece_id in parted and row.id not in lost:
            found.append(f"{row.code} is on a piece that was parted, and not lost")
        site = (row.exposure_id, row.row, row.column)
        if row.exposure_id is not None and site in sites:
            found.append(f"{row.code} shares its site")
        sites.add(site)
    return found
