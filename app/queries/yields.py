"""Where devices are lost: everything the yield page says, read from the device table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy.orm import Session

from app.core.columns import Column, Columns, joined
from app.core.stats.coverage import Coverage, coverage
from app.core.stats.losses import LossTable, loss_table
from app.core.stats.step_table import Group, StepTable, act_keys, candidates, grouped, step_of, step_table
from app.core.stats.yields import StepYield
from app.core.vocab import STAGES
from app.core.when import MONTHS
from app.db.columns import device_columns, q_columns
from app.queries import names
from app.queries.pieces_lost import PieceLost, StageWait, Stopped, pieces_ended, pieces_lost, scan_wait, waits
from app.queries.yield_compare import YieldPair, compare_sides

BY: Mapping[str, str] = {
    "wafer": "Wafer",
    "recipe": "Recipe version",
    "person": "Person",
    "month": "Month of the act",
    "mask": "Mask array",
}
WHOLE = ("wafer", "mask")
"""Groups that hold the same devices at every stage."""
MOST_CODES = 3
Q_NAMES = ("q_best", "q_typical", "modes_fitted", "picked", "scanned_at")


@dataclass(frozen=True)
class YieldAsk:
    """What is asked: one kind of device; by date of first exposure or fibre preparation; one wafer if named."""

    kind: str = "microtoroid"
    start: datetime | None = None
    end: datetime | None = None
    wafer: str = ""
    specification_id: int | None = None
    by: str = "wafer"
    one: tuple[str, ...] = ()
    two: tuple[str, ...] = ()
    """Names of groups (as grouped `by`) to hold against each other."""
    against_start: datetime | None = None
    against_end: datetime | None = None
    """Other dates to hold these against; they go before the ticked groups."""


@dataclass(frozen=True)
class NamedAct:
    """One act by itself, where there are too few to pool."""

    name: str
    passed: int
    decided: int
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class YieldFigures:
    """All figures of the yield page; `empty` where no candidate was ever taken in hand, `none_here` where none fits."""

    ask: YieldAsk
    kinds: Mapping[str, int]
    wafers: tuple[str, ...]
    wafers_here: int
    pieces_here: int
    table: StepTable
    acts: Mapping[str, tuple[NamedAct, ...]]
    losses: LossTable
    lost: tuple[PieceLost, ...]
    waiting: tuple[StageWait, ...]
    ended: tuple[Stopped, ...]
    specifications: tuple[names.SpecificationChoice, ...]
    specification: names.SpecificationChoice | None
    measured: names.Measured | None
    coverage: Coverage | None
    groups: tuple[Group, ...]
    stalled_after_days: int
    pair: YieldPair | None

    @property
    def none_here(self) -> bool:
        """No candidate within what was asked."""
        return self.table.candidates == 0

    @property
    def empty(self) -> bool:
        """No candidate of any kind in the whole lab."""
        return not any(self.kinds.values())


def yield_figures(session: Session, ask: YieldAsk, *, now: datetime, zone: ZoneInfo) -> YieldFigures:
    """Everything the yield page says about `ask`; months and days are the lab's own (`zone`)."""
    kinds = names.candidates_by_kind(session)
    everything = device_columns(session, ask.kind)
    inside = _inside(everything, ask) & candidates(ask.kind, everything)
    table, elsewhere = everything.where(inside), everything.where(~inside)
    steps = step_table(ask.kind, table, elsewhere)
    choices = names.specification_choices(session, ask.kind)
    chosen = next((c for c in choices if c.id == ask.specification_id), choices[0] if choices else None)
    place = _place(session, ask.kind, chosen)
    covered = None
    if chosen is not None and place is not None:
        q = q_columns(session, place.band, place.medium)
        covered = coverage(ask.kind, joined(table, q, "device_id", Q_NAMES, "band_"), chosen.window)
    days = names.stalled_days(session)
    return YieldFigures(
        ask=ask,
        kinds=kinds,
        wafers=tuple(sorted({str(code) for code in everything["root_code"]})),
        wafers_here=len(set(table["root_code"])),
        pieces_here=len(set(table["piece_code"])),
        table=steps,
        acts=_named_acts(session, steps, table, zone),
        losses=loss_table(ask.kind, table),
        lost=pieces_lost(session, ask.kind, table, start=ask.start, end=ask.end, wafer=ask.wafer),
        waiting=(
            *waits(ask.kind, table, now=now, stalled_after_days=days),
            scan_wait(ask.kind, table, now=now, stalled_after_days=days),
        ),
        ended=pieces_ended(ask.kind, table),
        specifications=choices,
        specification=chosen,
        measured=place,
        coverage=covered,
        groups=_groups(session, ask, table, zone),
        stalled_after_days=days,
        pair=_pair(session, ask, everything, table, zone),
    )


def _pair(session: Session, ask: YieldAsk, everything: Columns, table: Columns, zone: ZoneInfo) -> YieldPair | None:
    """Two periods, or two selections of the groups; None where only one is named."""
    stages = list(STAGES[ask.kind])
    if ask.against_start is not None or ask.against_end is not None:
        other = replace(ask, start=ask.against_start, end=ask.against_end)
        masks = (_inside(everything, ask), _inside(everything, other))
        names_ = (_period(ask.start, ask.end, zone), _period(other.start, other.end, zone))
        return compare_sides(ask.kind, everything, dict.fromkeys(stages, masks), names_, whole=True)
    if not ask.one or not ask.two:
        return None
    keys = _group_keys(session, ask, table, zone)
    sides = {
        stage: (np.isin(keys[stage].astype(str), ask.one), np.isin(keys[stage].astype(str), ask.two))
        for stage in stages
    }
    named = (", ".join(ask.one), ", ".join(ask.two))
    return compare_sides(ask.kind, table, sides, named, whole=ask.by in WHOLE)


def _period(start: datetime | None, end: datetime | None, zone: ZoneInfo) -> str:
    """The days of a period, its last one included."""
    first = day_text(start, zone) if start else ""
    last = day_text(end - timedelta(minutes=1), zone) if end else ""
    if first and last:
        return f"{first} to {last}"
    return f"from {first}" if first else f"to {last}" if last else "all dates"


def _inside(table: Columns, ask: YieldAsk) -> Column:
    inside = np.ones(len(table), dtype=bool)
    began = table["first_exposed_at"]
    if ask.start is not None:
        inside &= began >= bare_instant(ask.start)
    if ask.end is not None:
        inside &= began < bare_instant(ask.end)
    if ask.wafer:
        inside &= table["root_code"] == ask.wafer
    return inside


def bare_instant(at: datetime) -> np.datetime64:
    """An instant as the device table's columns hold it."""
    return np.datetime64(at.astimezone(UTC).replace(tzinfo=None), "us")


def _place(session: Session, kind: str, chosen: names.SpecificationChoice | None) -> names.Measured | None:
    """The band and medium a specification speaks of; where it names none, the most measured one alone."""
    measured = names.measured_in(session, kind)
    wanted = [
        each
        for each in measured
        if chosen is None or (chosen.band in ("", each.band) and chosen.medium in ("", each.medium))
    ]
    if wanted:
        return wanted[0]
    if chosen is not None and chosen.band and chosen.medium:
        return names.Measured(chosen.band, chosen.medium, 0)
    return None


def _named_acts(session: Session, steps: StepTable, table: Columns, zone: ZoneInfo) -> dict[str, tuple[NamedAct, ...]]:
    """Acts with names, for stages decided by too few of them to pool."""
    few = {row.stage: row.step for row in steps.stages if row.step.decided and not row.step.pooled}
    ids = [int(act.name) for step in few.values() for act in step.acts if act.name.isdecimal()]
    times = names.times_of(session, ids)
    return {stage: _acts(stage, step, table, times, zone) for stage, step in few.items()}


def _acts(
    stage: str, step: StepYield, table: Columns, times: Mapping[int, datetime], zone: ZoneInfo
) -> tuple[NamedAct, ...]:
    keys = act_keys(stage, table)
    acts = []
    for act in step.acts:
        shown = _codes(table.where(keys == act.name))
        at = times.get(int(act.name)) if act.name.isdecimal() else None
        name = f"{day_text(at, zone)}, {shown}" if at else f"{shown}, act not logged"
        acts.append(NamedAct(name, act.passed, act.decided, act.share, act.interval.low, act.interval.high))
    return tuple(acts)


def _codes(table: Columns) -> str:
    """The pieces an act was done on, or the wafers they came from where there are many."""
    pieces, roots = sorted(set(table["piece_code"])), sorted(set(table["root_code"]))
    codes = pieces if len(pieces) <= MOST_CODES else roots
    return ", ".join(codes[:MOST_CODES]) + (f" and {len(codes) - MOST_CODES} more" if len(codes) > MOST_CODES else "")


def day_text(at: datetime, zone: ZoneInfo) -> str:
    """`12 Mar 2026`, in the lab's zone."""
    local = at.astimezone(zone)
    return f"{local.day} {MONTHS[local.month - 1]} {local.year}"


def _groups(session: Session, ask: YieldAsk, table: Columns, zone: ZoneInfo) -> tuple[Group, ...]:
    return grouped(ask.kind, table, _group_keys(session, ask, table, zone), whole=ask.by in WHOLE)


def _group_keys(session: Session, ask: YieldAsk, table: Columns, zone: ZoneInfo) -> dict[str, Column]:
    """The group a device is in, by stage: for recipe, person and month that of the step that decided the stage."""
    stages = list(STAGES[ask.kind])
    if ask.by == "wafer":
        return dict.fromkeys(stages, table["root_code"])
    if ask.by == "mask":
        return dict.fromkeys(stages, _named(table["mask_array_id"], names.mask_array_names(session)))
    if ask.by == "month":
        return {stage: _months(table[f"{step_of(stage)}_at"], zone) for stage in stages}
    if ask.by == "person":
        people = names.people_names(session)
        return {stage: _named(table[f"{step_of(stage)}_operator_id"], people) for stage in stages}
    versions = names.version_names(session)
    return {stage: _named(table[f"{step_of(stage)}_recipe_version_id"], versions) for stage in stages}


def _named(ids: Column, known: Mapping[int, str]) -> Column:
    """Names of ids; '' where there is none."""
    column = np.empty(len(ids), dtype=object)
    column[:] = ["" if np.isnan(each) else known.get(int(each), "") for each in ids]
    return column


def _months(times: Column, zone: ZoneInfo) -> Column:
    """`2026-03`, in the lab's zone."""
    column = np.empty(len(times), dtype=object)
    column[:] = [
        "" if np.isnat(each) else f"{each.astype(datetime).replace(tzinfo=UTC).astimezone(zone):%Y-%m}"
        for each in times
    ]
    return column
