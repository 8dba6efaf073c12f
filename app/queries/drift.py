"""Series in order of time of what each step gives, with what was done to the tools meanwhile."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.vocab import TOOL_EVENTS
from app.db.models.events import EventPiece
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Lot, Piece
from app.db.models.people import Tool, ToolEvent
from app.db.models.steps import STEP_CLASSES, ReflowSession

SERIES: dict[str, tuple[str, str]] = {
    "etch_rate": ("Oxide etch rate", "nm/min"),
    "disc_after": ("Disc diameter after etch", "µm"),
    "pillar_ratio": ("Pillar ratio, by chip", ""),
    "undercut_per_dose": ("Undercut per side over XeF₂ dose, by chip", "nm/(Torr·s)"),
    "laser_power": ("Delivered laser power, meter at start", "W"),
    "log_q": ("log₁₀ intrinsic Q, best of each device, by session", ""),
}
"""Label and unit of each series."""
WANTS = {
    "etch_rate": "Log oxide etches with their etch time, on pieces whose oxide thickness is known.",
    "disc_after": "Log oxide etches with the disc diameter after etch.",
    "pillar_ratio": "Log undercuts, then measure disc and pillar top of some discs of each chip.",
    "undercut_per_dose": "Log undercuts with pressure and cycles, then measure disc and pillar top of some discs.",
    "laser_power": "Open reflow sessions with the meter’s reading at the start.",
    "log_q": "Log reflow sessions, then keep scans of their devices and accept a fit.",
}
"""What to log so that a series has points."""


@dataclass(frozen=True)
class DriftPoint:
    """One act: its value, or the mean of `values`; `bath` is '' where no lot was used."""

    at: datetime
    value: float
    values: tuple[float, ...]
    label: str
    href: str
    tool: str
    bath: str


@dataclass(frozen=True)
class ToolMark:
    """Something done to a tool."""

    at: datetime
    tool: str
    words: str
    href: str


def drift_points(session: Session, name: str) -> list[DriftPoint]:
    """All points of a series of SERIES, oldest first; voided records left out."""
    if name in ("etch_rate", "disc_after"):
        found = _etches(session, name)
    elif name in ("pillar_ratio", "undercut_per_dose"):
        found = _undercuts(session, name)
    else:
        found = _sessions(session, name)
    return sorted(found, key=lambda point: point.at)


def tool_marks(session: Session, tools: Iterable[str]) -> list[ToolMark]:
    """What was done to these tools, oldest first."""
    rows = session.execute(
        select(ToolEvent, Tool.code)
        .join(Tool, Tool.id == ToolEvent.tool_id)
        .where(ToolEvent.voided_at.is_(None), Tool.code.in_(sorted(set(tools))))
        .order_by(ToolEvent.done_at)
    )
    return [ToolMark(e.done_at, code, TOOL_EVENTS.get(e.kind, e.kind), f"/lab/tools/{code}") for e, code in rows]


def _etches(session: Session, name: str) -> list[DriftPoint]:
    etch: Any = STEP_CLASSES["oxide_etch"]
    rows = session.execute(
        select(etch.id, etch.done_at, etch.etch_s, etch.disc_after_um, Tool.code.label("tool"), Lot.code.label("bath"))
        .outerjoin(Tool, Tool.id == etch.tool_id)
        .outerjoin(Lot, Lot.id == etch.bath_lot_id)
        .where(etch.voided_at.is_(None))
    ).all()
    pieces: dict[int, list[Any]] = defaultdict(list)
    for each in session.execute(
        select(EventPiece.event_id, Piece.code, PIECE_FACTS.c.oxide_um)
        .join(etch, etch.id == EventPiece.event_id)
        .join(Piece, Piece.id == EventPiece.piece_id)
        .outerjoin(PIECE_FACTS, PIECE_FACTS.c.piece_id == Piece.id)
        .order_by(EventPiece.id)
    ):
        pieces[each.event_id].append(each)
    found = []
    for row in rows:
        on = pieces[row.id]
        oxides = [each.oxide_um for each in on if each.oxide_um]
        value = row.disc_after_um
        if name == "etch_rate":
            value = math.fsum(oxides) / len(oxides) * 60_000 / row.etch_s if oxides and row.etch_s else None
        if value is not None and on:
            label = ", ".join(each.code for each in on)
            href = f"/pieces/{on[0].code}"
            found.append(DriftPoint(row.done_at, value, (value,), label, href, row.tool or "", row.bath or ""))
    return found


def _undercuts(session: Session, name: str) -> list[DriftPoint]:
    device, piece, run = DEVICE_FACTS.c, PIECE_FACTS.c, STEP_CLASSES["undercut"]
    rows = session.execute(
        select(
            piece.piece_code, piece.undercut_at, piece.undercut_dose_torr_s, device.pillar_ratio, device.undercut_um,
            Tool.code.label("tool"),
        )
        .join(PIECE_FACTS, piece.piece_id == device.piece_id)
        .outerjoin(run, run.id == piece.undercut_event_id)
        .outerjoin(Tool, Tool.id == run.tool_id)
        .where(piece.undercut_at.is_not(None), device.pillar_ratio.is_not(None))
        .order_by(device.device_id)
    )  # fmt: skip
    chips: dict[tuple[datetime, str, str], list[float]] = defaultdict(list)
    for row in rows:
        if name == "pillar_ratio":
            value = row.pillar_ratio
        elif row.undercut_um is not None and row.undercut_dose_torr_s:
            value = row.undercut_um * 1000 / row.undercut_dose_torr_s
        else:
            continue
        chips[row.undercut_at, row.piece_code, row.tool or ""].append(value)
    return [
        DriftPoint(at, math.fsum(values) / len(values), tuple(values), code, f"/pieces/{code}", tool, "")
        for (at, code, tool), values in chips.items()
    ]


def _sessions(session: Session, name: str) -> list[DriftPoint]:
    rows = session.execute(
        select(ReflowSession.id, ReflowSession.done_at, ReflowSession.meter_start_w, Tool.code)
        .outerjoin(Tool, Tool.id == ReflowSession.tool_id)
        .where(ReflowSession.voided_at.is_(None))
    ).all()
    values: dict[int, list[float]] = defaultdict(list)
    if name == "log_q":
        best = select(DEVICE_FACTS.c.reflow_session_id, DEVICE_FACTS.c.q_best).where(DEVICE_FACTS.c.q_best > 0)
        for sitting, q in session.execute(best.order_by(DEVICE_FACTS.c.device_id)):
            values[sitting].append(math.log10(q))
    else:
        values.update({row.id: [row.meter_start_w] for row in rows if row.meter_start_w is not None})
    return [
        DriftPoint(at, math.fsum(each) / len(each), tuple(each), f"Session {id_}", f"/log/reflow/{id_}", tool or "", "")
        for id_, at, _, tool in rows
        if (each := values.get(id_))
    ]
