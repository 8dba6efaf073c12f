"""State of a device at each stage, from what was done to it and seen of it.

`outcomes` reads the device's own deeds; `states` sets them against what its piece has been through. The two
halves are kept apart so that one corrected bath changes a piece and not its hundreds of devices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from app.core.vocab import STAGES

DeedKind = Literal["inspection", "shot", "measurement", "scan", "loss", "purpose"]


@dataclass(frozen=True)
class DeviceDeed:
    """One deed on, or sight of, one device. `entry` breaks ties of `done_at`."""

    entry: int
    done_at: datetime
    kind: DeedKind
    stage: str = ""
    """Of an inspection: the stage looked at. Of a loss: where it was found."""
    verdict: str = ""
    """Of an inspection: good, usable, reject."""
    outcome: str = ""
    """Of a shot, where one was noted."""
    purpose: str = ""
    """Of a purpose change: candidate …; of a shot: reflow, re_melt, power_test."""


@dataclass(frozen=True)
class Outcome:
    """What the device's own deeds say of one stage; `outcome` is '' while nothing decides it."""

    outcome: str = ""
    verdict: str = ""
    decided_at: datetime | None = None
    counts: bool = False
    first_pass: bool = False


def repeated_stages(
    *, lithographies: int = 0, redone: bool = False, cleaves: int = 0, recleaved: bool = False
) -> frozenset[str]:
    """Stages without first pass for any device of a piece: stripped and patterned again, or cleaved twice."""
    patterned = {"patterned"} if lithographies > 1 or redone else set()
    return frozenset(patterned | ({"prepared"} if cleaves > 1 or recleaved else set()))


@dataclass(frozen=True)
class PieceStanding:
    """What a piece has been through: step kinds done, and whether it was lost or ended."""

    stages_done: frozenset[str] = field(default_factory=frozenset)
    lost: bool = False
    ended: bool = False


def last_stage(kind: str) -> str:
    """The stage at which yield ends: a good rim or a good sphere."""
    return list(STAGES[kind])[-1]


def outcomes(
    kind: str,
    purpose: str,
    deeds: Sequence[DeviceDeed],
    *,
    planned_shots: int | None = None,
) -> dict[str, Outcome]:
    """What a device's own deeds say of each stage of its kind.

    `purpose` is that with which it was taken in hand. First pass here knows only the device's own deeds: a step
    done twice on its piece (`repeated_stages`) takes it away when the two halves are joined.
    """
    ordered = sorted(deeds, key=lambda deed: (deed.done_at, deed.entry))
    stages = list(STAGES[kind])
    result: dict[str, Outcome] = {}
    for place, stage in enumerate(stages):
        verdict, decided, at = _decide(stage, place, stages, ordered)
        purpose_then = _purpose_at(purpose, ordered, at)
        result[stage] = Outcome(
            outcome=decided,
            verdict=verdict,
            decided_at=at,
            counts=purpose_then == "candidate",
            first_pass=decided == "passed"
            and not _ever_failed(stage, ordered)
            and (place < len(stages) - 1 or _within_plan(ordered, planned_shots)),
        )
    return result


def _decide(
    stage: str, place: int, stages: list[str], ordered: Sequence[DeviceDeed]
) -> tuple[str, str, datetime | None]:
    here = [deed for deed in ordered if deed.kind == "inspection" and deed.stage == stage]
    if here:
        last = here[-1]
        return last.verdict, "failed" if last.verdict == "reject" else "passed", last.done_at
    final = place == len(stages) - 1
    shots = _shots(ordered)
    if final and shots and shots[-1].outcome:
        outcome = shots[-1].outcome
        return "", "passed" if outcome == "good" else "failed", shots[-1].done_at
    later = [deed for deed in ordered if _shows_passed(deed, place, stages)]
    if later:
        return "", "passed", later[0].done_at
    lost = [deed for deed in ordered if deed.kind == "loss" and deed.stage == stage]
    if lost:
        return "", "failed", lost[-1].done_at
    return "", "", None


def _shows_passed(deed: DeviceDeed, place: int, stages: list[str]) -> bool:
    """A good sight at a later stage, or a deed that can only be done on a device past this stage."""
    final = len(stages) - 1
    if deed.kind == "inspection":
        return deed.verdict in ("good", "usable") and deed.stage in stages[place + 1 :]
    if deed.kind == "shot":
        return place < final
    if deed.kind == "measurement":
        return "undercut" in stages and place < stages.index("undercut")
    return deed.kind == "scan"


def _shots(ordered: Sequence[DeviceDeed]) -> list[DeviceDeed]:
    return [deed for deed in ordered if deed.kind == "shot" and deed.purpose != "power_test"]


def _ever_failed(stage: str, ordered: Sequence[DeviceDeed]) -> bool:
    return any(d.kind == "inspection" and d.stage == stage and d.verdict == "reject" for d in ordered)


def _within_plan(ordered: Sequence[DeviceDeed], planned_shots: int | None) -> bool:
    return len(_shots(ordered)) <= (planned_shots or 1)


def _purpose_at(first: str, ordered: Sequence[DeviceDeed], at: datetime | None) -> str:
    """The purpose when a stage was decided; the present one while it is not."""
    purpose = first
    for deed in ordered:
        if deed.kind == "purpose" and (at is None or deed.done_at <= at):
            purpose = deed.purpose
    return purpose


def states(kind: str, own: Mapping[str, str], piece: PieceStanding, *, lost: bool, shot: bool) -> dict[str, str]:
    """State at each stage: `own` outcomes by stage ('' where undecided) against the piece's standing.

    `lost`: the device itself was lost; `shot`: at least one shot that was not a power test was done on it. A lost
    device fails where its loss was found (its own outcome says so), else at the first stage it never reached.
    """
    result: dict[str, str] = {}
    rest = ""
    stages = list(STAGES[kind])
    for place, stage in enumerate(stages):
        done = shot if place == len(stages) - 1 else stage in piece.stages_done
        state = rest or _state(own.get(stage, ""), done=done, piece=piece, lost=lost)
        result[stage] = state
        if state in ("failed", "lost_with_piece"):
            rest = "lost_earlier"
        elif state == "not_taken_forward":
            rest = "not_taken_forward"
    return result


def _state(own: str, *, done: bool, piece: PieceStanding, lost: bool) -> str:
    if own:
        return own
    if lost:
        return "not_looked_at" if done else "failed"
    if piece.lost:
        return "lost_with_piece"
    if done:
        return "not_looked_at"
    return "not_taken_forward" if piece.ended else "waiting"
