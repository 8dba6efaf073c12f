"""Recipes, their versions, and where two versions differ. (Which made the best Q is `recipe_search`.)"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.planned import Difference, differences, planned_settings, setting_text
from app.core.step import StepKind
from app.core.step_catalogue import STEPS
from app.db.models.events import Event
from app.db.models.people import Operator
from app.db.models.recipes import Recipe, RecipeVersion, RouteStep


@dataclass(frozen=True)
class RecipeRow:
    """One recipe of the list; `used` counts the records made by any of its versions."""

    id: int
    name: str
    step_kind: str
    step_label: str
    active: bool
    newest: int
    versions: int
    used: int
    made_at: datetime


@dataclass(frozen=True)
class VersionRow:
    """One version: its settings in words, what it changed, how often it was used."""

    id: int
    number: int
    version: int
    settings: Mapping[str, Any]
    planned_shots: int | None
    changed: str
    made_at: datetime
    made_by: str
    used: int
    lines: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]
    differs: tuple[Difference, ...]

    @property
    def frozen(self) -> bool:
        """Whether a record names it, so that it may not change any more."""
        return self.used > 0


@dataclass(frozen=True)
class RecipeFacts:
    """A recipe with its versions, newest first."""

    id: int
    name: str
    step: StepKind
    active: bool
    note: str
    version: int
    versions: tuple[VersionRow, ...]

    @property
    def newest(self) -> VersionRow:
        """The version that is offered first."""
        return self.versions[0]

    def numbered(self, number: int) -> VersionRow | None:
        """The version of this number; None where there is none."""
        return next((each for each in self.versions if each.number == number), None)

    def compare(self, before: int, after: int) -> list[Difference] | None:
        """Where two versions differ; None where one of them is not there."""
        one, other = self.numbered(before), self.numbered(after)
        if one is None or other is None:
            return None
        shots = one.planned_shots, other.planned_shots
        return differences(self.step, one.settings, other.settings, shots)


def recipe_list(session: Session) -> list[RecipeRow]:
    """Every recipe, by step in the order of work and then by name; those out of use last."""
    used = dict(
        session.execute(
            select(RecipeVersion.recipe_id, func.count(Event.id))
            .join(Event, Event.recipe_version_id == RecipeVersion.id)
            .group_by(RecipeVersion.recipe_id)
        ).all()
    )
    rows = session.execute(
        select(Recipe, func.max(RecipeVersion.number), func.count(RecipeVersion.id), func.max(RecipeVersion.made_at))
        .join(RecipeVersion, RecipeVersion.recipe_id == Recipe.id)
        .group_by(Recipe.id)
    ).all()
    found = [
        RecipeRow(
            id=recipe.id,
            name=recipe.name,
            step_kind=recipe.step_kind,
            step_label=STEPS[recipe.step_kind].label if recipe.step_kind in STEPS else recipe.step_kind,
            active=recipe.active,
            newest=newest,
            versions=count,
            used=used.get(recipe.id, 0),
            made_at=made_at,
        )
        for recipe, newest, count, made_at in rows
    ]
    order = list(STEPS)
    return sorted(found, key=lambda row: (not row.active, order.index(row.step_kind), row.name.casefold()))


def recipe_facts(session: Session, recipe_id: int) -> RecipeFacts | None:
    """One recipe whole; None where there is none with this id."""
    recipe = session.get(Recipe, recipe_id)
    if recipe is None:
        return None
    step = STEPS[recipe.step_kind]
    makers = dict(session.execute(select(Operator.id, Operator.initials)).all())
    rows = session.scalars(
        select(RecipeVersion).where(RecipeVersion.recipe_id == recipe.id).order_by(RecipeVersion.number)
    ).all()
    versions: list[VersionRow] = []
    for number, row in enumerate(rows):
        before = rows[number - 1] if number else None
        shots = (before.planned_shots if before else None, row.planned_shots)
        versions.append(
            VersionRow(
                id=row.id,
                number=row.number,
                version=row.version,
                settings=row.settings,
                planned_shots=row.planned_shots,
                changed=row.changed or "",
                made_at=row.made_at,
                made_by=makers.get(row.made_by_id or 0, ""),
                used=times_used(session, row.id),
                lines=settings_in_words(step, row.settings, row.planned_shots),
                rows=rows_in_words(step, row.settings),
                differs=tuple(differences(step, before.settings, row.settings, shots)) if before else (),
            )
        )
    return RecipeFacts(
        recipe.id, recipe.name, step, recipe.active, recipe.note or "", recipe.version, tuple(reversed(versions))
    )


def times_used(session: Session, version_id: int) -> int:
    """How many records and routes name a version; a voided record still shows it."""
    events = session.scalar(select(func.count()).select_from(Event).where(Event.recipe_version_id == version_id)) or 0
    routes = select(func.count()).select_from(RouteStep).where(RouteStep.recipe_version_id == version_id)
    return events + (session.scalar(routes) or 0)


def settings_in_words(
    step: StepKind, settings: Mapping[str, Any], planned_shots: int | None
) -> tuple[tuple[str, str], ...]:
    """(label, value with unit) of each setting a version plans."""
    lines = [
        (setting.words, words)
        for setting in planned_settings(step)
        if (words := setting_text(setting, settings.get(setting.name)))
    ]
    return (*lines, ("Planned shots", str(planned_shots))) if planned_shots is not None else tuple(lines)


def rows_in_words(step: StepKind, settings: Mapping[str, Any]) -> tuple[tuple[str, ...], ...]:
    """The values of each planned row, in the order of the declaration."""
    if step.rows is None:
        return ()
    return tuple(
        tuple(setting_text(setting, row.get(setting.name)) for setting in step.rows.settings)
        for row in settings.get(step.rows.name) or []
    )
