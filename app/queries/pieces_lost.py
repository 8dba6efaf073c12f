"""Pieces that went as a whole, that were ended, that wait or have stalled: counted as pieces, with their devices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from app.core.columns import Columns, Mask
from app.core.stats.step_table import waits_here
from app.core.vocab import GONE, STAGES
from app.db.models.facts import PIECE_FACTS

KINDS_OF_PIECE = {"microtoroid": ("wafer", "chip"), "microsphere": ("fibre_batch",)}
DAY_S = 86400.0


@dataclass(frozen=True)
class PieceLost:
    """One piece lost in one event: its devices that were still under way, and those that were good already."""

    code: str
    kind: str
    at: datetime
    cause: str
    caused_at: str
    under_way: int
    good: int

    @property
    def devices(self) -> int:
        """Devices that went with it."""
        return self.under_way + self.good


@dataclass(frozen=True)
class Stopped:
    """A piece ended on purpose, or stalled: its devices that were not done, and days since anything was logged."""

    code: str
    devices: int
    days: float
    whereabouts: str = "in_lab"


@dataclass(frozen=True)
class StageWait:
    """What waits for one stage: devices on pieces, the longest wait, and which of the pieces have stalled."""

    stage: str
    devices: int
    pieces: int
    longest_days: float
    stalled: tuple[Stopped, ...]

    @property
    def stalled_devices(self) -> int:
        """Devices on pieces of which nothing was logged for too long."""
        return sum(each.devices for each in self.stalled)


def pieces_lost(
    session: Session, kind: str, table: Columns, *, start: datetime | None, end: datetime | None, wafer: str
) -> tuple[PieceLost, ...]:
    """Pieces lost as a whole, also those on which nothing had been taken in hand, by date."""
    facts = PIECE_FACTS.c
    gone = or_(facts.lost_at.is_not(None), facts.whereabouts.in_(("broken", "lost")))
    statement = select(
        facts.piece_code,
        facts.piece_kind,
        func.coalesce(facts.lost_at, facts.last_deed_at).label("lost_at"),
        func.coalesce(facts.lost_cause, facts.whereabouts).label("lost_cause"),
        facts.lost_caused_at,
    ).where(gone, facts.parted.is_(False), facts.piece_kind.in_(KINDS_OF_PIECE[kind]))
    if start is not None:
        statement = statement.where(facts.first_exposed_at >= start)
    if end is not None:
        statement = statement.where(facts.first_exposed_at < end)
    if wafer:
        statement = statement.where(facts.root_code == wafer)
    rows: Sequence[Any] = session.execute(statement.order_by("lost_at", facts.piece_code)).all()
    stages = list(STAGES[kind])
    taken = np.logical_or.reduce([table[f"{s}_counts"] & (table[f"{s}_state"] == "lost_with_piece") for s in stages])
    good = table[f"{stages[-1]}_counts"] & (table[f"{stages[-1]}_state"] == "passed")
    return tuple(
        PieceLost(
            code=row.piece_code,
            kind=row.piece_kind,
            at=row.lost_at,
            cause=row.lost_cause or "",
            caused_at=row.lost_caused_at or "",
            under_way=int((taken & (table["piece_code"] == row.piece_code)).sum()),
            good=int((good & (table["piece_code"] == row.piece_code)).sum()),
        )
        for row in rows
    )


def pieces_ended(kind: str, table: Columns) -> tuple[Stopped, ...]:
    """Pieces whose devices are not taken forward, with how many."""
    last = list(STAGES[kind])[-1]
    mask = table[f"{last}_counts"] & (table[f"{last}_state"] == "not_taken_forward")
    codes, counts = np.unique(table["piece_code"][mask].astype(str), return_counts=True)
    return tuple(Stopped(str(code), int(n), 0.0) for code, n in zip(codes, counts, strict=True))


def waits(kind: str, table: Columns, *, now: datetime, stalled_after_days: int) -> tuple[StageWait, ...]:
    """What waits for each stage, and on which pieces nothing was logged for `stalled_after_days`."""
    days = days_since_any_deed(table, now)
    return tuple(_wait(kind, stage, table, days, stalled_after_days) for stage in STAGES[kind])


def scan_wait(kind: str, table: Columns, *, now: datetime, stalled_after_days: int) -> StageWait:
    """Good devices nobody has measured yet, on pieces that are still here: as In hand counts those to be scanned."""
    last = list(STAGES[kind])[-1]
    here = np.isnat(table["lost_at"]) & np.isnat(table["piece_lost_at"]) & ~table["ended"]
    here &= ~np.isin(table["whereabouts"].astype(str), sorted(GONE))
    good = table[f"{last}_counts"] & (table[f"{last}_state"] == "passed") & (table["purpose"] == "candidate")
    waiting = good & here & (table["scans"] == 0)
    return _counted("scan", waiting, table, days_since_any_deed(table, now), stalled_after_days)


def days_since_any_deed(table: Columns, now: datetime) -> Any:
    """Days since the last deed on each device's piece or on any device of that piece."""
    codes, inverse = np.unique(table["piece_code"].astype(str), return_inverse=True)
    piece = np.ravel(inverse)
    last = np.full(len(codes), np.datetime64(0, "us"))
    for column in ("last_deed_at", "piece_last_deed_at"):
        known = ~np.isnat(table[column])
        np.maximum.at(last, piece[known], table[column][known])
    here = np.datetime64(now.astimezone(UTC).replace(tzinfo=None), "us")
    return ((here - last) / np.timedelta64(1, "s") / DAY_S)[piece]


def _wait(kind: str, stage: str, table: Columns, days: Any, limit: int) -> StageWait:
    return _counted(stage, table[f"{stage}_counts"] & waits_here(kind, stage, table), table, days, limit)


def _counted(stage: str, waiting: Mask, table: Columns, days: Any, limit: int) -> StageWait:
    stalled = waiting & (days >= limit)
    return StageWait(
        stage=stage,
        devices=int(waiting.sum()),
        pieces=len(set(table["piece_code"][waiting])),
        longest_days=float(days[waiting].max()) if waiting.any() else 0.0,
        stalled=_stalled(table, days, stalled),
    )


def _stalled(table: Columns, days: Any, mask: Mask) -> tuple[Stopped, ...]:
    found = []
    for code in sorted(set(table["piece_code"][mask])):
        mine = mask & (table["piece_code"] == code)
        where = str(table["whereabouts"][mine][0])
        found.append(Stopped(str(code), int(mine.sum()), float(days[mine].max()), where))
    return tuple(sorted(found, key=lambda each: -each.days))
