"""Recipes: a way to do one step kind, in versions that freeze once used."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from app.schemas.base import In, Name, Note

Confirmed = frozenset[tuple[int | None, str]]
"""Places (row, field) whose unusual values a person confirmed."""


class PlannedIn(In):
    """What a version plans: settings by name, rows where the step has them, shots of a reflow."""

    settings: dict[str, Any] = Field(default_factory=dict)
    rows: tuple[dict[str, Any], ...] = ()
    planned_shots: int | None = None
    confirmed: Confirmed = frozenset()


class RecipeIn(PlannedIn):
    """A recipe to found, with its first version."""

    name: Name
    step_kind: str
    note: Note | None = None


class RecipeVersionIn(PlannedIn):
    """A new version: `changed` says what changed and why. `newest` is the number the form was opened on."""

    recipe_id: int
    changed: Note
    newest: int | None = None


class VersionMendIn(PlannedIn):
    """The newest version, not used yet, as it should stand."""

    changed: Note | None = None
    version: int | None = None


class RecipeChangeIn(In):
    """A recipe's words as they should stand; a recipe no longer active is not offered."""

    name: Name
    note: Note | None = None
    active: bool = True
    version: int | None = None
