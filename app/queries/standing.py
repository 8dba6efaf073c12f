"""What a piece has been through and where a device stands, read from the device table's columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from app.core.stages import PieceStanding, last_stage, states
from app.core.vocab import SHORT_STAGES, STAGE_STEP, STAGES, STATES

OPEN = ("failed", "lost_with_piece", "waiting", "not_taken_forward")
"""States at which a device stands: it has not got past them."""


@dataclass(frozen=True)
class Standing:
    """Where one device stands: `stage` it is at and `state` there; `reached` counts the stages it got past."""

    stage: str
    state: str
    reached: int
    by_stage: Mapping[str, str]

    @property
    def words(self) -> str:
        """`Undercut: waiting`."""
        return f"{SHORT_STAGES[self.stage]}: {STATES[self.state].lower()}"


def stages_done(row: Mapping[str, Any], kind: str) -> frozenset[str]:
    """Stages a piece has been through, by its own and its ancestors' deeds or as it arrived; `row` of PIECE_FACTS."""
    stages = list(STAGES[kind])
    done = {stage for stage in stages if row.get(f"{STAGE_STEP[stage]}_count")}
    arrived = row.get("arrived_stage")
    if arrived in stages:
        done.update(stages[: stages.index(arrived) + 1])
    return frozenset(done)


def piece_standing(row: Mapping[str, Any], kind: str, *, lost_at: str = "lost_at") -> PieceStanding:
    """The piece's half of a device's states; `lost_at` names the column (`piece_lost_at` in the joined view)."""
    return PieceStanding(stages_done(row, kind), lost=row[lost_at] is not None, ended=bool(row["ended"]))


def device_standing(device: Mapping[str, Any], piece: PieceStanding) -> Standing:
    """Where a device (row of DEVICE_FACTS) stands, given what its piece has been through."""
    kind = device["device_kind"]
    stages = list(STAGES[kind])
    own = {stage: device[f"{stage}_outcome"] or "" for stage in stages}
    shot = device["reflow_shots"] > 0 or last_stage(kind) in piece.stages_done
    found = states(kind, own, piece, lost=device["lost_at"] is not None, shot=shot)
    at = next((stage for stage in stages if found[stage] in OPEN), stages[-1])
    reached = stages.index(at) + (found[at] in ("passed", "not_looked_at"))
    return Standing(at, found[at], reached, found)


def verdict_of(device: Mapping[str, Any]) -> str:
    """The verdict at the latest stage that has one; '' while nobody looked."""
    seen = [device[f"{stage}_verdict"] for stage in STAGES[device["device_kind"]]]
    return next((verdict for verdict in reversed(seen) if verdict), "")


def next_stage(row: Mapping[str, Any], kind: str) -> str:
    """The first stage the piece has not been through; the last where it has been through all."""
    done = stages_done(row, kind)
    return next((stage for stage in STAGES[kind] if stage not in done), last_stage(kind))
