"""What the devices of a piece inherit: every deed done to it and, by lineage, to its ancestors."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.process.undercut import Segment, dose_torr_s
from app.core.step_catalogue import PIECE_STEPS
from app.db.base import Base
from app.db.models.events import Ending, Event, EventPiece, Loss, Parting, Whereabouts
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Piece, Wafer
from app.db.models.seen import OxideMeasurement
from app.db.models.steps import ROW_CLASSES, STEP_CLASSES

KINDS: dict[str, type[Event]] = {
    **STEP_CLASSES,
    "oxide_measurement": OxideMeasurement,
    "whereabouts": Whereabouts,
    "ending": Ending,
    "loss": Loss,
    "parting": Parting,
}


def piece_rows(session: Session, piece_ids: Sequence[int]) -> list[dict[str, Any]]:
    """One row of PIECE_FACTS for each piece."""
    lineages = lineages_of(session, piece_ids)
    everyone = sorted({piece.id for chain in lineages.values() for piece in chain})
    events = _events_by_piece(session, everyone)
    segments = _segments(session, [e.id for rows in events.values() for e in rows if e.kind == "undercut"])
    return [_row(chain, events, segments) for chain in lineages.values()]


def lineages_of(session: Session, piece_ids: Sequence[int]) -> dict[int, list[Piece]]:
    """Each piece with its ancestors, eldest first."""
    known: dict[int, Piece] = {}
    wanted = set(piece_ids)
    while wanted:
        rows = session.scalars(select(Piece).where(Piece.id.in_(wanted))).all()
        known.update({piece.id: piece for piece in rows})
        wanted = {piece.parent_id for piece in rows if piece.parent_id is not None} - known.keys()
    lineages: dict[int, list[Piece]] = {}
    for piece_id in piece_ids:
        chain = [known[piece_id]]
        while chain[0].parent_id is not None:
            chain.insert(0, known[chain[0].parent_id])
        lineages[piece_id] = chain
    return lineages


def _events_by_piece(session: Session, piece_ids: Sequence[int]) -> dict[int, list[Event]]:
    links = session.execute(
        select(EventPiece.piece_id, Event.id, Event.kind)
        .join(Event, Event.id == EventPiece.event_id)
        .where(EventPiece.piece_id.in_(piece_ids), Event.voided_at.is_(None))
    ).all()
    by_kind: dict[str, set[int]] = defaultdict(set)
    for _piece, event_id, kind in links:
        by_kind[kind].add(event_id)
    loaded: dict[int, Event] = {}
    for kind, ids in by_kind.items():
        found = session.scalars(select(KINDS.get(kind, Event)).where(Event.id.in_(ids)))
        loaded.update({event.id: event for event in found})
    result: dict[int, list[Event]] = defaultdict(list)
    for piece_id, event_id, _kind in links:
        result[piece_id].append(loaded[event_id])
    for rows in result.values():
        rows.sort(key=lambda event: (event.done_at, event.id))
    return result


def _segments(session: Session, event_ids: Sequence[int]) -> dict[int, list[Base]]:
    rows_class: Any = ROW_CLASSES["undercut"]
    result: dict[int, list[Base]] = defaultdict(list)
    statement = select(rows_class).where(rows_class.event_id.in_(set(event_ids)))
    for row in session.scalars(statement.order_by(rows_class.event_id, rows_class.sequence)):
        result[row.event_id].append(row)
    return result


def _row(chain: list[Piece], events: dict[int, list[Event]], segments: dict[int, list[Base]]) -> dict[str, Any]:
    piece, root = chain[-1], chain[0]
    row: dict[str, Any] = dict.fromkeys((column.name for column in PIECE_FACTS.columns), None)
    row.update(
        piece_id=piece.id,
        root_id=root.id,
        root_code=root.code,
        piece_code=piece.code,
        piece_kind=piece.kind,
        whereabouts="in_lab",
        parted=False,
        ended=False,
        arrived_stage=root.arrived_stage,
        last_deed_at=piece.registered_at,
        oxide_um=root.oxide_um if isinstance(root, Wafer) else None,
    )
    row.update({f"{name}_count": 0 for name in PIECE_STEPS})
    undercut: list[Base] = []
    for ancestor in chain:
        for event in events.get(ancestor.id, ()):
            if event.kind in PIECE_STEPS:
                _fold_step(row, event)
                undercut += segments.get(event.id, [])
            elif isinstance(event, OxideMeasurement) and event.points_um:
                row["oxide_um"] = sum(event.points_um) / len(event.points_um)
            _fold_fate(row, event, own=ancestor is piece)
            row["last_deed_at"] = max(row["last_deed_at"], event.done_at)
    row.update(_undercut_sums(undercut))
    return row


def _fold_step(row: dict[str, Any], event: Event) -> None:
    """The last act of a kind stands; a setting it left open keeps none of an earlier act's."""
    kind = event.kind
    row[f"{kind}_count"] += 1
    row[f"{kind}_event_id"], row[f"{kind}_at"] = event.id, event.done_at
    row[f"{kind}_recipe_version_id"], row[f"{kind}_operator_id"] = event.recipe_version_id, event.operator_id
    for setting in PIECE_STEPS[kind].settings:
        row[f"{kind}_{setting.name}"] = getattr(event, setting.name)
    if kind in ("lithography", "fibre_preparation") and row["first_exposed_at"] is None:
        row["first_exposed_at"] = event.done_at


def _fold_fate(row: dict[str, Any], event: Event, *, own: bool) -> None:
    if isinstance(event, Whereabouts):
        row["whereabouts"], row["whereabouts_place"] = event.state, event.place
    elif isinstance(event, Ending):
        row["ended"] = True
    elif isinstance(event, Loss):
        row["lost_at"], row["lost_cause"] = event.done_at, event.cause
        row["lost_found_at"], row["lost_caused_at"] = event.found_at, event.caused_at
    elif isinstance(event, Parting) and own:
        row["parted"] = True


def _undercut_sums(rows: list[Base]) -> dict[str, Any]:
    """Cycles and dose over all segments; time and pressures as means over cycles, so that unlike ones show."""
    full: list[Any] = [row for row in rows if getattr(row, "cycles", None)]
    if not full:
        return {}
    cycles = sum(row.cycles for row in full)

    def mean(name: str) -> float | None:
        known = [(row.cycles, getattr(row, name)) for row in full if getattr(row, name) is not None]
        return sum(n * value for n, value in known) / sum(n for n, _ in known) if known else None

    known = [row for row in full if row.cycle_s is not None and row.xef2_torr is not None]
    segments = [Segment(cycles=row.cycles, cycle_s=row.cycle_s, xef2_torr=row.xef2_torr) for row in known]
    return {
        "undercut_cycles": cycles,
        "undercut_cycle_s": mean("cycle_s"),
        "undercut_xef2_torr": mean("xef2_torr"),
        "undercut_n2_torr": mean("n2_torr"),
        "undercut_dose_torr_s": dose_torr_s(segments) if len(known) == len(full) else None,
    }
