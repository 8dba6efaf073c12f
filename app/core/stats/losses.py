"""Where devices are lost: cause against the stage at which it was found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from app.core.columns import Columns
from app.core.step_catalogue import STEPS
from app.core.vocab import CAUSES, STAGE_STEP, STAGES, cause_of_defect

NOT_SAID = "not_said"
AFTER = "after"
"""Found after the last stage: a good rim broken at the optical table."""


@dataclass(frozen=True)
class LossCell:
    """`count` devices; `possible` is False where a cause comes later than the stage; `own` where they are one."""

    count: int
    possible: bool
    own: bool


@dataclass(frozen=True)
class LossRow:
    """One cause, found at each stage in turn."""

    cause: str
    cells: tuple[LossCell, ...]

    @property
    def total(self) -> int:
        """All devices lost by this cause."""
        return sum(cell.count for cell in self.cells)


@dataclass(frozen=True)
class LossTable:
    """Causes against stages. `found` names the columns: the stages and, after them, `after`."""

    found: tuple[str, ...]
    rows: tuple[LossRow, ...]

    @property
    def totals(self) -> tuple[int, ...]:
        """Devices found lost at each stage."""
        return tuple(sum(row.cells[i].count for row in self.rows) for i in range(len(self.found)))

    @property
    def total(self) -> int:
        """Devices lost one by one."""
        return sum(self.totals)

    @property
    def found_late(self) -> int:
        """Devices whose loss was found at a later stage than the one that caused it."""
        known = [row for row in self.rows if row.cause in STAGE_STEP.values()]
        return sum(cell.count for row in known for cell in row.cells if not cell.own)


def loss_table(kind: str, table: Columns) -> LossTable:
    """Each device lost by itself once: at the stage that failed it, by the cause named there.

    Devices that went with their piece are one event and stand elsewhere.
    """
    found = (*STAGES[kind], AFTER)
    tally: dict[tuple[str, str], int] = {}
    for stage in STAGES[kind]:
        failed = table[f"{stage}_counts"] & (table[f"{stage}_state"] == "failed")
        for i in np.flatnonzero(failed):
            key = (_cause(table, int(i), stage), stage)
            tally[key] = tally.get(key, 0) + 1
    last = list(STAGES[kind])[-1]
    broken = table[f"{last}_counts"] & (table[f"{last}_state"] == "passed") & ~np.isnat(table["lost_at"])
    for i in np.flatnonzero(broken):
        key = (str(table["lost_caused_at"][i]) or NOT_SAID, AFTER)
        tally[key] = tally.get(key, 0) + 1
    return LossTable(found, tuple(_row(kind, cause, found, tally) for cause in _causes(kind, tally)))


def _cause(table: Columns, i: int, stage: str) -> str:
    """What spoiled device `i` at `stage`: the first defect named in its rejection, the loss, or the shot."""
    defects: list[Mapping[str, Any]] = table["defects"][i] or []
    for each in defects:
        if each.get("found_at") == stage and each.get("verdict") == "reject":
            cause = each.get("caused_at") or cause_of_defect(str(each.get("kind")))
            if cause:
                return str(cause)
    if not np.isnat(table["lost_at"][i]) and table["lost_caused_at"][i]:
        return str(table["lost_caused_at"][i])
    bad_shot = STAGE_STEP[stage] == "reflow" and table["reflow_outcome"][i] not in ("", "good")
    return "reflow" if bad_shot else NOT_SAID


def _causes(kind: str, tally: Mapping[tuple[str, str], int]) -> list[str]:
    steps = {STAGE_STEP[stage] for stage in STAGES[kind]}
    usual = [c for c in CAUSES if c in steps or (c == "resist_strip" and kind == "microtoroid") or c == "handling"]
    named = {cause for cause, _ in tally}
    return usual + sorted(named - set(usual) - {NOT_SAID}) + ([NOT_SAID] if NOT_SAID in named else [])


def _row(kind: str, cause: str, found: tuple[str, ...], tally: Mapping[tuple[str, str], int]) -> LossRow:
    stages = list(STAGES[kind])
    begins = _begins(stages, cause)
    cells = []
    for place, stage in enumerate(found):
        count = tally.get((cause, stage), 0)
        own = stage in STAGE_STEP and STAGE_STEP[stage] == cause
        # Somebody may have logged what cannot be; it is shown all the same.
        cells.append(LossCell(count, count > 0 or place >= begins, own))
    return LossRow(cause, tuple(cells))


def _begins(stages: Sequence[str], cause: str) -> int:
    """Place of the first stage at which a loss by this cause can be found; a cause that is no step may come first."""
    if cause not in STEPS:
        return 0
    before = [place for place, stage in enumerate(stages) if STEPS[STAGE_STEP[stage]].order <= STEPS[cause].order]
    return max(before, default=0)
