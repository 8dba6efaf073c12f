"""What the invented lab set out to do with each wafer, and what went wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

SEED = 20817
WEEKS = 26
"""Weeks of one season of the lab."""


@dataclass(frozen=True)
class WaferPlan:
    """One quarter wafer: when, by which recipe versions, and its mishaps (chips by letter)."""

    number: int
    week: int
    mask: str
    lithography: int
    undercut: int
    reflow: int
    bath: int
    slow: float = 1.0
    """How much longer the etch takes than in a fresh bath."""
    reflow_2_on: str = ""
    """Chips on which the second reflow version was tried early."""
    dropped: str = ""
    lent: str = ""
    misaligned: str = ""
    waits_etched: str = ""
    waits_undercut: str = ""
    forgotten: str = ""
    """Measured in part and left lying; other chips are put away once enough of them is measured."""
    ended: bool = False
    whole: bool = False
    """Not parted yet: waits after the strip."""


SEASON = (
    WaferPlan(1, 0, "ROWAN-3", 1, 1, 1, 1, 1.00),
    WaferPlan(2, 2, "ROWAN-3", 1, 1, 1, 1, 1.02, waits_etched="D"),
    WaferPlan(3, 4, "ROWAN-3", 1, 1, 1, 1, 1.06),
    WaferPlan(4, 6, "ROWAN-3", 1, 1, 1, 1, 1.12, dropped="C"),
    WaferPlan(5, 8, "ROWAN-3", 1, 1, 1, 1, 1.22, reflow_2_on="CD", forgotten="D"),
    WaferPlan(6, 10, "ROWAN-3", 1, 2, 2, 1, 1.36),
    WaferPlan(7, 13, "ROWAN-4", 2, 2, 2, 2, 1.00),
    WaferPlan(8, 15, "ROWAN-4", 2, 2, 2, 2, 1.01, misaligned="B", forgotten="C"),
    WaferPlan(9, 17, "ROWAN-4", 2, 2, 2, 2, 1.03, lent="D", forgotten="BC"),
    WaferPlan(10, 18, "ROWAN-4", 2, 2, 2, 2, 1.04, ended=True),
    WaferPlan(11, 21, "ROWAN-4", 2, 2, 2, 2, 1.05, waits_undercut="CD", forgotten="B"),
    WaferPlan(12, 24, "ROWAN-4", 2, 2, 2, 2, 1.08, whole=True),
)


@dataclass(frozen=True)
class BatchPlan:
    """One fibre batch of ten ends."""

    number: int
    week: int
    melt: int
    ends: int = 10
    waits: bool = False


BATCHES = (
    BatchPlan(1, 1, 1),
    BatchPlan(2, 5, 1),
    BatchPlan(3, 9, 1),
    BatchPlan(4, 14, 2),
    BatchPlan(5, 20, 2),
    BatchPlan(6, 25, 2, waits=True),
)


def wafer_plans(seasons: int) -> tuple[WaferPlan, ...]:
    """Plans of `seasons` half years: the story, then calm ones with the second recipes."""
    calm = [
        WaferPlan(
            number=plan.number + 12 * turn,
            week=plan.week + WEEKS * turn,
            mask="ROWAN-4",
            lithography=2,
            undercut=2,
            reflow=2,
            bath=2 * turn + plan.bath,
            whole=plan.whole and turn == seasons - 1,
        )
        for turn in range(1, seasons)
        for plan in SEASON
    ]
    return (*SEASON, *calm)


def batch_plans(seasons: int) -> tuple[BatchPlan, ...]:
    """The same for fibre batches."""
    calm = [
        replace(plan, number=plan.number + 6 * turn, week=plan.week + WEEKS * turn, melt=2, waits=False)
        for turn in range(1, seasons)
        for plan in BATCHES
    ]
    return (*BATCHES, *calm)
