"""Settings as a step kind declares them: known names, right types, lots and choices that exist."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy.orm import Session

from app.actions.ranges import Given
from app.core.refusal import Refusal, Where
from app.core.step import Setting
from app.db.models.material import Lot
from app.db.models.people import Tool
from app.db.models.recipes import Recipe, RecipeVersion


def checked_settings(
    session: Session, declared: Sequence[Setting], given: Mapping[str, Any], *, row: int | None = None
) -> dict[str, Any]:
    """The settings that were given, blanks left out; a Refusal for unknown names and wrong types."""
    by_name = {setting.name: setting for setting in declared}
    errors: dict[Where, str] = {}
    checked: dict[str, Any] = {}
    for name, value in given.items():
        setting = by_name.get(name)
        if setting is None:
            errors[row, name] = f"'{name}' is no setting of this step."
        elif value is not None and value != "":
            try:
                checked[name] = _checked(session, setting, value)
            except ValueError as error:
                errors[row, name] = str(error)
    if errors:
        raise Refusal(errors)
    return checked


def checked_rows(
    session: Session, declared: Sequence[Setting], rows: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """The same for repeated settings; empty rows are left out."""
    checked = [checked_settings(session, declared, row, row=place) for place, row in enumerate(rows)]
    return [row for row in checked if row]


def _checked(session: Session, setting: Setting, value: Any) -> Any:
    if setting.kind == "flag":
        if not isinstance(value, bool):
            raise ValueError(f"{setting.words} is yes or no.")
        return value
    if setting.kind == "quantity":
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"{setting.words}: “{value}” is not a number.")
        if setting.quantity is not None and setting.quantity.whole:
            if value != int(value):
                raise ValueError(f"{setting.words} counts: a whole number is wanted, {value} is none.")
            return int(value)
        return float(value)
    if setting.kind == "lot":
        lot = session.get(Lot, value) if isinstance(value, int) else None
        if lot is None or lot.kind != setting.lot_kind:
            raise ValueError(f"{setting.words}: this lot is not in the list.")
        return value
    if not isinstance(value, str) or "\x00" in value:
        raise ValueError(f"{setting.words} is a word or a line of text.")
    if setting.kind == "choice" and len(value) > 40:
        raise ValueError(f"{setting.words}: at most 40 characters.")
    return value


def numbers_of(declared: Sequence[Setting], values: Mapping[str, Any], *, row: int | None = None) -> list[Given]:
    """The quantities among checked values, for their ranges."""
    names = {setting.name for setting in declared if setting.kind == "quantity"}
    return [Given(name, value, row=row) for name, value in values.items() if name in names]


def version_of(session: Session, version_id: int | None, step_kind: str) -> RecipeVersion | None:
    """The recipe version, which must be one of this step kind; None where none was named."""
    if version_id is None:
        return None
    version = session.get(RecipeVersion, version_id)
    if version is None:
        raise Refusal.of("This recipe version is not in the list.", at="recipe_version_id")
    recipe = session.get_one(Recipe, version.recipe_id)
    if recipe.step_kind != step_kind:
        raise Refusal.of(
            f"{recipe.name} is a recipe of another step ({recipe.step_kind.replace('_', ' ')}).", at="recipe_version_id"
        )
    return version


def tool_of(session: Session, tool_id: int | None, *, at: str = "tool_id") -> Tool | None:
    """The tool, where one was named."""
    if tool_id is None:
        return None
    tool = session.get(Tool, tool_id)
    if tool is None:
        raise Refusal.of("This tool is not in the list.", at=at)
    return tool
