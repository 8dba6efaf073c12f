"""Group against group: the step yields of two selections of devices, and how far apart they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from app.core.columns import Columns, Mask
from app.core.stats.step_table import act_keys, acts_of, decided, rolled_over
from app.core.stats.two_groups import ShareDifference, share_difference
from app.core.stats.yields import Difference, RolledYield, StepYield, difference, step_yield
from app.core.vocab import STAGES

Sides = Mapping[str, tuple[Mask, Mask]]
"""By stage, which devices are in the first selection and which in the second."""


@dataclass(frozen=True)
class RolledPair:
    """Rolled yields of the two, and their difference where both have an interval."""

    first: RolledYield
    second: RolledYield
    change: Difference | None


@dataclass(frozen=True)
class YieldPair:
    """Two selections: names, devices, each stage's yields with their difference, rolled where it means something."""

    names: tuple[str, str]
    devices: tuple[int, int]
    stages: Mapping[str, ShareDifference]
    rolled: RolledPair | None
    shared_wafers: int
    both: int
    """Devices that stand in both selections."""


def compare_sides(kind: str, table: Columns, sides: Sides, names: tuple[str, str], *, whole: bool) -> YieldPair:
    """Hold two selections of `table` against each other, stage by stage.

    `whole`: each selection is of the same devices at every stage, so that the product of its steps means something.
    """
    roots = table["root_code"].astype(str)
    everyone = [np.zeros(len(table), dtype=bool) for _ in names]
    stages: dict[str, ShareDifference] = {}
    steps: tuple[list[tuple[Mask, Mask]], list[tuple[Mask, Mask]]] = ([], [])
    for stage in STAGES[kind]:
        passed, settled = decided(stage, table)
        yields, by_wafer = [], []
        for at, mine in enumerate(sides[stage]):
            everyone[at] |= table[f"{stage}_counts"] & mine
            steps[at].append((passed & mine, settled & mine))
            yields.append(_step(stage, table, passed & mine, settled & mine, mine))
            by_wafer.append(acts_of(roots, passed & mine, settled & mine))
        stages[stage] = share_difference(yields[0], yields[1], by_wafer[0], by_wafer[1])
    return YieldPair(
        names=names,
        devices=(int(everyone[0].sum()), int(everyone[1].sum())),
        stages=stages,
        rolled=_rolled(table, steps[0], steps[1]) if whole else None,
        shared_wafers=len(set(roots[everyone[0]]) & set(roots[everyone[1]])),
        both=int((everyone[0] & everyone[1]).sum()),
    )


def _step(stage: str, table: Columns, passed: Mask, settled: Mask, mine: Mask) -> StepYield:
    tried = table[f"{stage}_counts"] & mine & np.isin(table[f"{stage}_state"], ("passed", "failed", "not_looked_at"))
    return step_yield(acts_of(act_keys(stage, table), passed, settled), int(tried.sum()))


def _rolled(table: Columns, first: list[tuple[Mask, Mask]], second: list[tuple[Mask, Mask]]) -> RolledPair:
    """Both rolled; the difference by square-and-add, which shared wafers can only make too wide."""
    ours, theirs = rolled_over(table, first), rolled_over(table, second)
    change = None
    if ours.share is not None and theirs.share is not None and ours.interval and theirs.interval:
        change = difference(ours.share, ours.interval, theirs.share, theirs.interval)
    return RolledPair(ours, theirs, change)
