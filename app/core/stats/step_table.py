"""Yield stage by stage from the device table: who counts, what was decided by which act, what may be claimed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.core.columns import Column, Columns, Mask
from app.core.stats.yields import Act, RolledYield, StepYield, lab_likeness, rolled_yield, step_yield
from app.core.vocab import STAGE_STEP, STAGES, STATES

_ACTS_OF_DEVICES = {"lithography": "lithography_id", "reflow": "reflow_session_id"}
ACT_COLUMN: Mapping[str, str] = {
    stage: _ACTS_OF_DEVICES.get(step, f"{step}_event_id") for stage, step in STAGE_STEP.items()
}
"""Which column names the act that decided a stage: an exposure, a bath dip, a chamber run, a sitting at the laser."""


@dataclass(frozen=True)
class StageCount:
    """One stage: devices that count there by state, its yield over the decided, and at the first go.

    `waiting_here` are those that wait for this very step; the other waiting ones wait further up.
    """

    stage: str
    counts: Mapping[str, int]
    waiting_here: int
    step: StepYield
    first_pass: StepYield

    @property
    def counted(self) -> int:
        """Devices that count at this stage, whatever their state."""
        return sum(self.counts.values())

    @property
    def failed(self) -> int:
        """Devices rejected here."""
        return self.counts["failed"]


@dataclass(frozen=True)
class StepTable:
    """The stages of one kind, their product, and what became of all whose fate is settled."""

    kind: str
    stages: tuple[StageCount, ...]
    rolled: RolledYield
    final: StepYield
    candidates: int
    good: int

    @property
    def on_their_way(self) -> int:
        """Candidates that wait at some stage or were not looked at at the last."""
        last = self.stages[-1].counts
        return last["waiting"] + last["not_looked_at"]


def act_keys(stage: str, table: Columns) -> Column:
    """Name of the act that decided `stage` for each device; devices without a logged act go by their piece."""
    ids = table[ACT_COLUMN[stage]]
    known = ~np.isnan(ids)
    keys = np.empty(len(table), dtype=object)
    keys[:] = [f"piece {code}" for code in table["piece_code"]]
    keys[known] = [str(int(each)) for each in ids[known]]
    return keys


def acts_of(keys: Column, passed: Mask, decided: Mask) -> list[Act]:
    """How many of the decided passed in each act."""
    names, code = np.unique(keys[decided].astype(str), return_inverse=True)
    ups = np.bincount(np.ravel(code), weights=passed[decided], minlength=len(names))
    alls = np.bincount(np.ravel(code), minlength=len(names))
    return [Act(str(n), round(float(up)), int(every)) for n, up, every in zip(names, ups, alls, strict=True)]


def step_table(kind: str, table: Columns, elsewhere: Columns | None = None) -> StepTable:
    """The step table of `table` (devices of `kind` with their states); likeness learnt from the acts `elsewhere`.

    At each stage those count who were candidates when it was decided. Final yield is good rims (spheres) of
    all whose fate is settled: good, failed somewhere, or lost with their piece; its acts are the wafers.
    """
    rows = tuple(stage_count(kind, stage, table, elsewhere) for stage in STAGES[kind])
    last = rows[-1].stage
    counts, state = table[f"{last}_counts"], table[f"{last}_state"]
    settled = counts & np.isin(state, ("passed", "failed", "lost_earlier", "lost_with_piece"))
    good = counts & (state == "passed")
    return StepTable(
        kind=kind,
        stages=rows,
        rolled=rolled_over(table, [decided(stage, table) for stage in STAGES[kind]], [r.step for r in rows]),
        final=step_yield(acts_of(table["root_code"], good, settled)),
        candidates=int(candidates(kind, table).sum()),
        good=int(good.sum()),
    )


def candidates(kind: str, table: Columns) -> Mask:
    """Devices that count at any stage."""
    masks = [table[f"{stage}_counts"] for stage in STAGES[kind]]
    everyone: Mask = np.logical_or.reduce(masks)
    return everyone


def stage_count(kind: str, stage: str, table: Columns, elsewhere: Columns | None = None) -> StageCount:
    """One row of the step table."""
    counts, state = table[f"{stage}_counts"], table[f"{stage}_state"]
    tally = {each: int((counts & (state == each)).sum()) for each in STATES}
    passed, settled = decided(stage, table)
    keys = act_keys(stage, table)
    attempted = tally["passed"] + tally["failed"] + tally["not_looked_at"]
    likeness = None
    if elsewhere is not None and len(elsewhere):
        likeness = lab_likeness(acts_of(act_keys(stage, elsewhere), *decided(stage, elsewhere)))
    return StageCount(
        stage=stage,
        counts=tally,
        waiting_here=int((counts & waits_here(kind, stage, table)).sum()),
        step=step_yield(acts_of(keys, passed, settled), attempted, likeness),
        first_pass=step_yield(acts_of(keys, table[f"{stage}_first"] & passed, settled), attempted, likeness),
    )


def decided(stage: str, table: Columns) -> tuple[Mask, Mask]:
    """(passed, decided) of those that count at a stage."""
    counts, state = table[f"{stage}_counts"], table[f"{stage}_state"]
    passed = counts & (state == "passed")
    return passed, passed | (counts & (state == "failed"))


def waits_here(kind: str, stage: str, table: Columns) -> Mask:
    """Devices that wait for the step of this very stage, not for one before it."""
    stages = list(STAGES[kind])
    waiting: Mask = table[f"{stage}_state"] == "waiting"
    if stage == stages[0]:
        return waiting
    before: Mask = table[f"{stages[stages.index(stage) - 1]}_state"] == "waiting"
    return waiting & ~before


def rolled_over(
    table: Columns, steps: Sequence[tuple[Mask, Mask]], own: Sequence[StepYield] | None = None
) -> RolledYield:
    """Product of step yields over the wafers (or fibre batches); `own` are the steps' yields by their acts."""
    names, code = np.unique(table["root_code"].astype(str), return_inverse=True)
    wafer = np.ravel(code)

    def by_wafer(mask: Mask) -> NDArray[np.float64]:
        return np.bincount(wafer, weights=mask, minlength=len(names)).astype(float)

    x = np.stack([by_wafer(passed) for passed, _ in steps], axis=1)
    m = np.stack([by_wafer(settled) for _, settled in steps], axis=1)
    return rolled_yield(x, m, None if own is None else [each.interval for each in own])


@dataclass(frozen=True)
class Group:
    """One wafer, recipe version, person or month: its step yields in the order of the stages.

    `rolled` is None where the group is not of the same devices at every stage.
    """

    name: str
    cells: tuple[StepYield, ...]
    rolled: RolledYield | None
    devices: int


def grouped(kind: str, table: Columns, keys: Mapping[str, Column], *, whole: bool) -> tuple[Group, ...]:
    """Step yields for each name in `keys` (a column of names by stage; '' counts nowhere), by name.

    `whole`: the names are the same at every stage, so that a product of the steps means something.
    """
    stages = list(STAGES[kind])
    names = sorted({str(name) for stage in stages for name in np.unique(keys[stage].astype(str))} - {""})
    return tuple(_group(name, table, stages, keys, whole=whole) for name in names)


def _group(name: str, table: Columns, stages: list[str], keys: Mapping[str, Column], *, whole: bool) -> Group:
    cells, steps = [], []
    everyone = np.zeros(len(table), dtype=bool)
    for stage in stages:
        mine = keys[stage] == name
        passed, settled = (mask & mine for mask in decided(stage, table))
        attempted = (
            table[f"{stage}_counts"] & mine & np.isin(table[f"{stage}_state"], ("passed", "failed", "not_looked_at"))
        )
        everyone |= table[f"{stage}_counts"] & mine
        cells.append(step_yield(acts_of(act_keys(stage, table), passed, settled), int(attempted.sum())))
        steps.append((passed, settled))
    return Group(name, tuple(cells), rolled_over(table, steps) if whole else None, int(everyone.sum()))


def step_of(stage: str) -> str:
    """The step kind that attempts a stage."""
    return STAGE_STEP[stage]
