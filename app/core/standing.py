"""States of many devices at once: `core.stages.states` on each combination that occurs, not on each device."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.core.columns import Column, Columns, Mask
from app.core.stages import PieceStanding, repeated_stages, states
from app.core.vocab import STAGE_STEP, STAGES

PIECE_STAGES = tuple(dict.fromkeys(s for stages in STAGES.values() for s in stages if STAGE_STEP[s] != "reflow"))
"""Stages decided by a step on the piece; the last of each kind is decided by a shot."""


def stages_done(counts: Mapping[str, int], arrived_stage: str) -> frozenset[str]:
    """Stages a piece has been put through, here (`counts` of each step kind) or before it came in."""
    done = {stage for stage in PIECE_STAGES if counts.get(STAGE_STEP[stage])}
    for stages in STAGES.values():
        if arrived_stage in stages:
            order = list(stages)
            done |= set(order[: order.index(arrived_stage) + 1]) & set(PIECE_STAGES)
    return frozenset(done)


def state_columns(kind: str, table: Columns) -> dict[str, Column]:
    """Columns `<stage>_state` for devices of one kind, by the stages of that kind."""
    stages = list(STAGES[kind])
    own = [table[f"{stage}_outcome"] for stage in stages]
    pieces = _standings(table)
    shot = table["reflow_shots"] > 0
    lost = ~np.isnat(table["lost_at"])
    codes, first = _combinations([*own, pieces, shot, lost])
    found = [_states_of(kind, stages, table, own, int(i), shot, lost) for i in first]
    result: dict[str, Column] = {}
    for stage in stages:
        choices = np.empty(len(found), dtype=object)
        choices[:] = [each[stage] for each in found]
        result[f"{stage}_state"] = choices[codes] if len(found) else np.empty(0, dtype=object)
    return result


def first_pass_columns(kind: str, table: Columns) -> dict[str, Column]:
    """Columns `<stage>_first`: passed at the first go, with what was done twice on the piece taken into account."""
    redone, recleaved = table["lithography_redone"], table["fibre_preparation_recleaved"]
    pieces = np.stack([table["lithography_count"], redone, table["fibre_preparation_count"], recleaved], axis=1)
    combos, inverse = np.unique(pieces, axis=0, return_inverse=True)
    repeated = [
        repeated_stages(lithographies=int(a), redone=bool(b), cleaves=int(c), recleaved=bool(d))
        for a, b, c, d in combos
    ]
    result: dict[str, Column] = {}
    for stage in STAGES[kind]:
        twice = np.array([stage in each for each in repeated], dtype=bool)
        again: Mask = twice[np.ravel(inverse)] if len(repeated) else np.zeros(len(table), dtype=bool)
        result[f"{stage}_first"] = table[f"{stage}_first_pass"] & ~again
    return result


def _standings(table: Columns) -> NDArray[np.intp]:
    """One number for each standing of a piece that occurs."""
    parts = [table[f"{STAGE_STEP[stage]}_count"] > 0 for stage in PIECE_STAGES]
    parts += [~np.isnat(table["piece_lost_at"]), table["ended"], table["whereabouts"], table["arrived_stage"]]
    return _combinations(parts)[0]


def _combinations(columns: Sequence[Column]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """(the combination each row has, a row that has it) over several columns."""
    if not len(columns[0]):
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    coded = [np.unique(np.asarray(c, dtype=str) if c.dtype == object else c, return_inverse=True)[1] for c in columns]
    _, first, inverse = np.unique(np.stack(coded, axis=1), axis=0, return_index=True, return_inverse=True)
    return np.ravel(inverse), first


def _states_of(
    kind: str, stages: list[str], table: Columns, own: list[Column], i: int, shot: Mask, lost: Mask
) -> dict[str, str]:
    counts: dict[str, Any] = {STAGE_STEP[s]: table[f"{STAGE_STEP[s]}_count"][i] for s in PIECE_STAGES}
    where = str(table["whereabouts"][i])
    standing = PieceStanding(
        stages_done=stages_done(counts, str(table["arrived_stage"][i])),
        lost=not np.isnat(table["piece_lost_at"][i]) or where in ("broken", "lost"),
        ended=bool(table["ended"][i]) or where == "used_up",
    )
    outcomes = {stage: str(column[i]) for stage, column in zip(stages, own, strict=True)}
    return states(kind, outcomes, standing, lost=bool(lost[i]), shot=bool(shot[i]))
