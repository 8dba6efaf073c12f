"""Recipes: founding one, a new version with what changed and why, mending the newest while nothing used it."""

from __future__ import annotations

from sqlalchemy import select

from app.actions.rules import check_version
from app.core.planned import Checked, check_planned, differences
from app.core.refusal import ChangedMeanwhile, Refusal
from app.core.step import StepKind
from app.core.step_catalogue import STEPS
from app.db.models.recipes import Recipe, RecipeVersion
from app.db.session import Writing
from app.queries.lab import quantities_here
from app.queries.recipes import times_used
from app.schemas.recipes import PlannedIn, RecipeChangeIn, RecipeIn, RecipeVersionIn, VersionMendIn


def register_recipe(writing: Writing, data: RecipeIn) -> RecipeVersion:
    """Found a recipe for one step kind; returns its first version."""
    step = STEPS.get(data.step_kind)
    if step is None:
        raise Refusal.of("Say which step the recipe is for.", at="step_kind")
    _check_name(writing, data.name)
    checked = _checked(writing, step, data)
    recipe = Recipe(name=data.name, name_key=data.name.casefold(), step_kind=step.name, note=data.note or None)
    writing.add(recipe)
    return _add_version(writing, recipe, 1, data, checked, None)


def add_version(writing: Writing, data: RecipeVersionIn) -> RecipeVersion:
    """Make a new version of a recipe; it says what changed and why, and differs from the newest one."""
    recipe = _recipe(writing, data.recipe_id)
    newest = _newest(writing, recipe)
    if data.newest is not None and data.newest != newest.number:
        raise ChangedMeanwhile(
            {(None, None): f"Somebody made version {newest.number} while this form was open. It is shown beside yours."}
        )
    if not data.changed:
        raise Refusal.of("Say what changed and why: whoever reads the results will ask.", at="changed")
    step = STEPS[recipe.step_kind]
    checked = _checked(writing, step, data)
    shots = newest.planned_shots, data.planned_shots
    if not differences(step, newest.settings, checked.kept, shots):
        raise Refusal.of(f"Nothing differs from version {newest.number}: there is nothing to save.")
    return _add_version(writing, recipe, newest.number + 1, data, checked, data.changed)


def mend_version(writing: Writing, version_id: int, data: VersionMendIn) -> RecipeVersion:
    """Change a version in place; refused once a record names it: then a new version says what changed."""
    version = writing.session.get(RecipeVersion, version_id)
    if version is None:
        raise Refusal.of("There is no such version.")
    check_version(version, data.version)
    recipe = _recipe(writing, version.recipe_id)
    used = times_used(writing.session, version.id)
    if used:
        raise Refusal.of(
            f"Version {version.number} is frozen: {used} record{'s' if used > 1 else ''} used it. Make a new version."
        )
    if version.number > 1 and not data.changed:
        raise Refusal.of("Say what changed and why: whoever reads the results will ask.", at="changed")
    checked = _checked(writing, STEPS[recipe.step_kind], data)
    if dict(checked.kept) != version.settings:
        version.settings = dict(checked.kept)
    version.planned_shots, version.changed = data.planned_shots, data.changed or None
    writing.session.flush()
    return version


def change_recipe(writing: Writing, recipe_id: int, data: RecipeChangeIn) -> Recipe:
    """Change a recipe's name or note, or take it out of use; its versions stay."""
    recipe = _recipe(writing, recipe_id)
    check_version(recipe, data.version)
    _check_name(writing, data.name, but=recipe.id)
    recipe.name, recipe.name_key = data.name, data.name.casefold()
    recipe.note, recipe.active = data.note or None, data.active
    writing.session.flush()
    return recipe


def _checked(writing: Writing, step: StepKind, data: PlannedIn) -> Checked:
    checked = check_planned(step, data.settings, data.rows, data.planned_shots, quantities_here(writing.session))
    errors = dict(checked.errors)
    if not checked.kept and not errors:
        errors[None, None] = "This plans nothing yet: fill in at least one setting."
    questions = {where: words for where, words in checked.questions.items() if where not in data.confirmed}
    if errors or questions:
        raise Refusal(errors, questions)
    return checked


def _add_version(
    writing: Writing, recipe: Recipe, number: int, data: PlannedIn, checked: Checked, changed: str | None
) -> RecipeVersion:
    version = RecipeVersion(
        recipe_id=recipe.id,
        number=number,
        settings=dict(checked.kept),
        planned_shots=data.planned_shots,
        changed=changed,
        made_at=writing.now,
        made_by_id=writing.operator_id,
    )
    writing.add(version)
    return version


def _check_name(writing: Writing, name: str, but: int | None = None) -> None:
    found = writing.session.scalar(select(Recipe).where(Recipe.name_key == name.casefold()))
    if found is not None and found.id != but:
        raise Refusal.of(
            f"There is a recipe “{found.name}” already ({STEPS[found.step_kind].label.lower()}): "
            "give another name, or make a new version of that one.",
            at="name",
        )


def _recipe(writing: Writing, recipe_id: int) -> Recipe:
    recipe = writing.session.get(Recipe, recipe_id)
    if recipe is None:
        raise Refusal.of("There is no such recipe.")
    return recipe


def _newest(writing: Writing, recipe: Recipe) -> RecipeVersion:
    statement = select(RecipeVersion).where(RecipeVersion.recipe_id == recipe.id)
    newest = writing.session.scalar(statement.order_by(RecipeVersion.number.desc()).limit(1))
    if newest is None:
        raise Refusal.of("This recipe has no version.")
    return newest
