"""What a log form offers: tools, lots, mask arrays, recipe versions with what they plan, and the last run as a hint."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.planned import setting_text
from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.step import StepKind
from app.core.step_catalogue import STEPS
from app.db.models.events import Event, EventPiece
from app.db.models.material import Lot, Mask, MaskArray, Piece
from app.db.models.people import Operator, Tool
from app.db.models.recipes import Recipe, RecipeVersion
from app.db.models.steps import STEP_CLASSES
from app.queries.records import row_words

Choices = dict[str, str]
"""Ids as text, with words."""


@dataclass(frozen=True)
class Plan:
    """What a recipe version plans."""

    id: int
    name: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    planned_shots: int | None = None

    def rows(self, name: str) -> Sequence[Mapping[str, Any]]:
        """Its repeated settings."""
        return self.settings.get(name) or ()


@dataclass(frozen=True)
class LastRun:
    """The last valid record of a step kind: a hint of what was set, never filled in."""

    id: int
    done_at: datetime
    who: str
    codes: str
    values: Mapping[str, str]
    """In words, by setting."""
    rows: tuple[str, ...] = ()
    """Its repeated settings in words."""


def tool_choices(session: Session, kinds: Sequence[str]) -> Choices:
    """Tools of these kinds that are in use; all tools where no kind is named."""
    statement = select(Tool).where(Tool.state != "retired").order_by(Tool.code_key)
    if kinds:
        statement = statement.where(Tool.kind.in_(kinds))
    return {str(tool.id): f"{tool.code}, {tool.name}" for tool in session.scalars(statement)}


def lot_choices(session: Session, now: datetime) -> dict[str, Choices]:
    """Lots that are not used up, by kind; an expired one says so."""
    found: dict[str, Choices] = {}
    for lot in session.scalars(select(Lot).where(Lot.used_up.is_(False)).order_by(Lot.code_key)):
        words = f"{lot.code}, {lot.name}" if lot.name else lot.code
        if lot.expires_at is not None and lot.expires_at < now:
            words += f" (expired {lot.expires_at:%d %b %Y})"
        found.setdefault(lot.kind, {})[str(lot.id)] = words
    return found


def array_choices(session: Session) -> Choices:
    """Mask arrays: `ROWAN-3, array 2: 20 × 20 discs of 90 µm`."""
    statement = select(MaskArray, Mask.code).join(Mask, Mask.id == MaskArray.mask_id)
    found: Choices = {}
    for array, code in session.execute(statement.order_by(Mask.code_key, MaskArray.number)):
        disc = QUANTITIES["disc_um"]
        sizes = value_text(array.disc_um, disc)
        if array.ladder_um:
            sizes = f"{value_text(min(array.ladder_um), disc)} to {value_text(max(array.ladder_um), disc)}"
        name = array.label or f"array {array.number}"
        found[str(array.id)] = f"{code}, {name}: {array.rows} × {array.columns} discs of {sizes}"
    return found


def version_choices(session: Session, step_kind: str) -> Choices:
    """Versions of the recipes in use for a step kind, by name, the newest version first."""
    statement = (
        select(RecipeVersion.id, RecipeVersion.number, Recipe.name)
        .join(Recipe, Recipe.id == RecipeVersion.recipe_id)
        .where(Recipe.step_kind == step_kind, Recipe.active.is_(True))
        .order_by(Recipe.name_key, RecipeVersion.number.desc())
    )
    return {str(row.id): f"{row.name}, version {row.number}" for row in session.execute(statement)}


def plan_of(session: Session, version_id: int | None, step_kind: str) -> Plan | None:
    """What a recipe version of this step kind plans; None where it is not one."""
    if version_id is None:
        return None
    row = session.execute(
        select(RecipeVersion, Recipe.name)
        .join(Recipe, Recipe.id == RecipeVersion.recipe_id)
        .where(RecipeVersion.id == version_id, Recipe.step_kind == step_kind)
    ).one_or_none()
    if row is None:
        return None
    version, name = row
    return Plan(version.id, f"{name}, version {version.number}", version.settings, version.planned_shots)


def last_run(session: Session, step: StepKind, tool_id: int | None = None) -> LastRun | None:
    """The last valid record of a step done to pieces, with this tool where one is named."""
    statement = select(STEP_CLASSES[step.name]).where(Event.voided_at.is_(None), Event.unknown.is_(False))
    if tool_id is not None:
        statement = statement.where(Event.tool_id == tool_id)
    event = session.scalar(statement.order_by(Event.done_at.desc(), Event.id.desc()).limit(1))
    if event is None:
        return None
    operator = session.get(Operator, event.operator_id) if event.operator_id else None
    codes = session.scalars(
        select(Piece.code).join(EventPiece, EventPiece.piece_id == Piece.id).where(EventPiece.event_id == event.id)
    )
    values = {
        setting.name: words
        for setting in STEPS[step.name].settings
        if setting.kind in ("quantity", "choice", "text")
        and (words := setting_text(setting, getattr(event, setting.name)))
    }
    return LastRun(
        event.id,
        event.done_at,
        operator.initials if operator else "",
        ", ".join(codes),
        values,
        tuple(row_words(session, event)),
    )
