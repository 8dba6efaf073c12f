"""The lab as a whole: its settings, its plausible ranges, and how far it has been set up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.quantities import QUANTITIES, Quantity, Range
from app.db.models.material import Lot, Mask, Piece
from app.db.models.people import LabSetting, Operator, QuantityRange, Tool
from app.db.models.recipes import Recipe

STALLED_DAYS = 60
"""Days without a deed after which a piece counts as stalled, unless the lab says otherwise."""


@dataclass(frozen=True)
class LabFacts:
    """Settings of the lab; `zone` is empty where the server's own holds. `example` marks an invented lab."""

    name: str = ""
    zone: str = ""
    stalled_days: int = STALLED_DAYS
    example: bool = False


@dataclass(frozen=True)
class Stated:
    """One plausible range as it holds here and as it was declared; `edited` where a lead changed it."""

    quantity: Quantity
    declared: Range
    edited: bool
    version: int | None


@dataclass(frozen=True)
class Setup:
    """What an empty lab has by now; `begun` names the steps that something exists for."""

    people: bool
    tools: bool
    material: bool
    piece: bool
    recipe: bool

    @property
    def left(self) -> int:
        """How many of the five steps are still open."""
        return (self.people, self.tools, self.material, self.piece, self.recipe).count(False)


def lab_facts(session: Session) -> LabFacts:
    """The settings of the lab, declared ones where none were made."""
    values: dict[str, Any] = {row.name: row.value for row in session.execute(select(LabSetting.name, LabSetting.value))}
    return LabFacts(
        name=str(values.get("name") or ""),
        zone=str(values.get("zone") or ""),
        stalled_days=int(values.get("stalled_days") or STALLED_DAYS),
        example=bool(values.get("example")),
    )


def quantities_here(session: Session) -> Mapping[str, Quantity]:
    """Every declared quantity with the plausible range that holds in this lab."""
    edited = {row.quantity: (row.low, row.high) for row in session.scalars(select(QuantityRange))}
    return {
        name: replace(quantity, plausible=edited[name]) if name in edited else quantity
        for name, quantity in QUANTITIES.items()
    }


def stated_ranges(session: Session) -> list[Stated]:
    """Plausible ranges of all quantities that have one, in their declared order."""
    rows = {row.quantity: row for row in session.scalars(select(QuantityRange))}
    here = quantities_here(session)
    return [
        Stated(here[name], declared.plausible, here[name].plausible != declared.plausible, _version(rows.get(name)))
        for name, declared in QUANTITIES.items()
        if declared.plausible != (None, None) or name in rows
    ]


def _version(row: QuantityRange | None) -> int | None:
    return row.version if row else None


def setup(session: Session) -> Setup:
    """Which steps of the first run are done, by what exists."""

    def some(column: Any, *where: Any) -> bool:
        return session.scalar(select(column).where(*where).limit(1)) is not None

    return Setup(
        people=some(Operator.id),
        tools=some(Tool.id),
        material=some(Mask.id) or some(Lot.id, Lot.kind == "fibre_spool"),
        piece=some(Piece.id),
        recipe=some(Recipe.id),
    )
