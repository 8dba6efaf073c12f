"""What the yield page says of losses, of what waits and of what is gone."""

from __future__ import annotations

from dataclasses import dataclass

from app.core.figures import figure
from app.core.stats.losses import NOT_SAID
from app.core.step_catalogue import STEPS
from app.core.vocab import CAUSES, LOSS_CAUSES, STAGE_STEP, WHEREABOUTS
from app.queries.yields import YieldFigures
from app.web.shares import counted

NEXT_STEP = {stage: STEPS[step].label.lower() for stage, step in STAGE_STEP.items()} | {
    "melted": "melting",
    "scan": "a scan",
}
MOST_PIECES = 6
"""Codes of stalled pieces that are named; In hand lists them all."""


@dataclass(frozen=True)
class CrossCell:
    """One cell of causes against stages."""

    text: str
    css: str
    impossible: bool


@dataclass(frozen=True)
class CrossRow:
    """One cause."""

    label: str
    cells: tuple[CrossCell, ...]
    total: int


@dataclass(frozen=True)
class Line:
    """One thing that waits, stalled, was ended or lost: words left, small print, figure right."""

    text: str
    small: str
    figure: str
    state: str = ""
    pieces: tuple[str, ...] = ()
    """Codes of the pieces it speaks of."""


def losses_of(found: YieldFigures) -> tuple[CrossRow, ...]:
    rows = []
    for row in found.losses.rows:
        cells = tuple(
            CrossCell(
                figure(cell.count) if cell.count else "–",
                " ".join(
                    name
                    for name, on in (
                        ("same", cell.own),
                        ("none", not cell.count),
                        ("before", not cell.possible),
                    )
                    if on
                ),
                not cell.possible,
            )
            for cell in row.cells
        )
        label = "Cause not said" if row.cause == NOT_SAID else CAUSES.get(row.cause, row.cause.replace("_", " "))
        rows.append(CrossRow(label, cells, row.total))
    return tuple(rows)


def loss_words(found: YieldFigures) -> str:
    late = found.losses.found_late
    if not late:
        return ""
    return f"{figure(late)} of {figure(found.losses.total)} were found at a later stage than the one that spoiled them."


def _days(days: float) -> str:
    return "today" if days < 1 else counted(int(days), "day")


def waiting_of(found: YieldFigures) -> tuple[Line, ...]:
    lines = []
    for wait in found.waiting:
        if wait.devices:
            small = f"on {counted(wait.pieces, 'piece')}, longest {_days(wait.longest_days)}"
            lines.append(
                Line(f"Wait for {NEXT_STEP[wait.stage]}", small, counted(wait.devices, "device"), state="waiting")
            )
        if wait.stalled:
            days = max(stopped.days for stopped in wait.stalled)
            small = f"nothing logged for {found.stalled_after_days} days or more, longest {_days(days)}; not failed"
            away = [s for s in wait.stalled if s.whereabouts != "in_lab"]
            words = [f"{s.code} {WHEREABOUTS.get(s.whereabouts, s.whereabouts).lower()}" for s in away]
            small = "; ".join([small, *words])
            codes = tuple(stopped.code for stopped in wait.stalled)[:MOST_PIECES]
            if len(wait.stalled) > MOST_PIECES:
                small += f"; these and {counted(len(wait.stalled) - MOST_PIECES, 'more piece', 'more pieces')}"
            lines.append(Line("Of these stalled", small, counted(wait.stalled_devices, "device"), pieces=codes))
    unseen = found.table.stages[-1].counts["not_looked_at"]
    if unseen:
        step = NEXT_STEP[found.table.stages[-1].stage]
        lines.append(
            Line(f"Not looked at after {step}", "inspect them, or note the outcome", counted(unseen, "device"))
        )
    return tuple(lines)


def gone_of(found: YieldFigures) -> tuple[Line, ...]:
    lines = []
    by_kind: dict[str, list[int]] = {}
    for lost in found.lost:
        by_kind.setdefault(lost.kind, []).append(lost.devices)
    for kind, devices in by_kind.items():
        noun = {"wafer": "Wafer", "chip": "Chip", "fibre_batch": "Fibre batch"}[kind]
        plural = "Fibre batches" if kind == "fibre_batch" else f"{noun}s"
        lines.append(Line(f"{plural} lost: {len(devices)} ({counted(sum(devices), 'device')})", "one event each", ""))
    for lost in found.lost:
        cause = LOSS_CAUSES.get(lost.cause) or WHEREABOUTS.get(lost.cause) or "Lost"
        small = f"{counted(lost.good, 'device')} of them good already" if lost.good else ""
        lines.append(Line(cause, small, counted(lost.devices, "device"), "lost_with_piece", (lost.code,)))
    if found.ended:
        gone = counted(sum(stopped.devices for stopped in found.ended), "device")
        codes = tuple(stopped.code for stopped in found.ended)
        lines.append(Line("Ended, not taken forward", "", gone, "not_taken_forward", codes))
    return tuple(lines)
