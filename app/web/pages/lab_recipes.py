"""Recipes edited: founding one, versions with what changed and why, two versions compared."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData

from app.actions.recipes import add_version, change_recipe, mend_version, register_recipe
from app.core.planned import Difference, planned_settings
from app.core.refusal import ChangedMeanwhile, Refusal, Where
from app.core.step import StepKind
from app.core.step_catalogue import STEPS
from app.queries.recipes import RecipeFacts, RecipeRow, VersionRow, recipe_facts, recipe_list
from app.schemas.base import take
from app.schemas.recipes import RecipeChangeIn, RecipeIn, RecipeVersionIn, VersionMendIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Ask, Field, Typed
from app.web.plain_form import (
    PlainForm,
    Values,
    Writing,
    answer,
    key_after,
    next_of,
    rows_of,
    save,
    version_of,
    wanted_next,
    was_saved,
    went,
)
from app.web.render import page

router = APIRouter()
TRAIL = (("Lab", "/lab"), ("Recipes", "/lab/recipes"))
FORM = "lab/recipe_form.html"
LEAST_ROWS, MOST_ROWS = 3, 40
CHANGED = forms.text("changed", "What changed, and why", required=True, long=True)
NAME = (forms.text("name", "Name", required=True, help="What the lab calls it: Rim reflow."),)
NOTE = forms.text("note", "Note", long=True)


@dataclass(frozen=True)
class RecipesContext:
    """The recipes by step."""

    recipes: tuple[RecipeRow, ...]
    steps: Mapping[str, str]
    saved: bool


@dataclass(frozen=True)
class RecipeContext:
    """One recipe: its newest version, those before, and two compared where asked."""

    recipe: RecipeFacts
    row_labels: tuple[str, ...]
    compared: tuple[Difference, ...] | None
    before: int
    after: int
    saved: bool


@dataclass(frozen=True)
class PlannedContext:
    """The form of one version, made from the step's declaration."""

    title: str
    trail: tuple[tuple[str, str], ...]
    action: str
    button: str
    says_line: str
    cautions: tuple[str, ...]
    head: tuple[Field, ...]
    settings: tuple[Field, ...]
    rows_label: str
    rows: tuple[tuple[Field, ...], ...]
    row_labels: tuple[tuple[str, str], ...]
    tail: tuple[Field, ...]
    step_kind: str
    key: str
    version: int | None
    newest: int | None
    next: str
    typed: Typed | None
    questions: Mapping[Where, str]
    theirs: tuple[Difference, ...]


@dataclass(frozen=True)
class Sheet:
    """What a version's form is about: the step, what stands in it, and what it asks besides the settings."""

    step: StepKind
    title: str
    trail: tuple[tuple[str, str], ...]
    action: str
    button: str
    says: str = ""
    head: tuple[Ask, ...] = ()
    tail: tuple[Ask, ...] = ()
    stored: Mapping[str, Any] | None = None
    planned: VersionRow | None = None
    version: int | None = None
    newest: int | None = None

    def asks(self) -> tuple[Ask, ...]:
        """Everything but the rows."""
        shots = (forms.quantity("planned_shots", help="First pass is within these; one where nothing is said."),)
        return (*self.head, *_settings(self.step), *(shots if self.step.scope == "device" else ()), *self.tail)


@router.get("/lab/recipes")
def recipes(request: Request, session: Reading) -> Response:
    """Every recipe by step."""
    steps = {name: step.label for name, step in STEPS.items()}
    return page(request, "lab/recipes.html", RecipesContext(tuple(recipe_list(session)), steps, was_saved(request)))


@router.get("/lab/recipes/new")
def new_recipe(request: Request, step: str = "") -> Response:
    """An empty form for the step named by `?step=`; without one, the steps to choose from."""
    if step not in STEPS:
        return RedirectResponse("/lab/recipes#found", status_code=303)
    return page(request, FORM, _context(_founding(STEPS[step]), None, None, next_path=wanted_next(request)))


@router.post("/lab/recipes/new")
def found_recipe(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Found a recipe."""
    kind = form.get("step_kind")
    if not isinstance(kind, str) or kind not in STEPS:
        raise HTTPException(422, "Say which step the recipe is for.")

    def act(writing: Writing, given: dict[str, Any]) -> str:
        version = register_recipe(writing, take(RecipeIn, step_kind=kind, **given))
        return f"/lab/recipes/{version.recipe_id}"

    return _answer(request, form, lab, set_, _founding(STEPS[kind]), "found recipe", act)


@router.get("/lab/recipes/{recipe_id}")
def recipe(request: Request, recipe_id: int, session: Reading, before: int = 0, after: int = 0) -> Response:
    """One recipe; with `?before=1&after=2` two of its versions side by side."""
    found = _recipe(session, recipe_id)
    compared = found.compare(before, after) if before and after else None
    labels = tuple(setting.words for setting in found.step.rows.settings) if found.step.rows else ()
    context = RecipeContext(
        found, labels, None if compared is None else tuple(compared), before, after, was_saved(request)
    )
    return page(request, "lab/recipe.html", context)


@router.get("/lab/recipes/{recipe_id}/change")
def edit_recipe(request: Request, recipe_id: int, session: Reading) -> Response:
    """Name, note, whether it is in use."""
    return page(request, "lab/form.html", _words_form(_recipe(session, recipe_id)).context())


@router.post("/lab/recipes/{recipe_id}/change")
def save_recipe(request: Request, recipe_id: int, form: Posted, lab: Lab, set_: Set) -> Response:
    """Change name, note, whether it is in use."""

    def read() -> PlainForm:
        with lab.reading() as session:
            return _words_form(_recipe(session, recipe_id))

    def act(writing: Writing, values: Values) -> str:
        change_recipe(writing, recipe_id, take(RecipeChangeIn, **values, version=version_of(form)))
        return f"/lab/recipes/{recipe_id}"

    return answer(request, form, lab, set_.zone, read(), act, reread=read)


@router.get("/lab/recipes/{recipe_id}/versions/new")
def new_version(request: Request, recipe_id: int, session: Reading) -> Response:
    """The newest version's settings, to be changed into the next one."""
    return page(request, FORM, _context(_next_version(_recipe(session, recipe_id)), None, None))


@router.post("/lab/recipes/{recipe_id}/versions/new")
def make_version(request: Request, recipe_id: int, form: Posted, lab: Lab, set_: Set) -> Response:
    """Make the next version."""

    def read() -> Sheet:
        with lab.reading() as session:
            return _next_version(_recipe(session, recipe_id))

    newest = form.get("_newest")
    opened_on = int(newest) if isinstance(newest, str) and newest.isdecimal() else None

    def act(writing: Writing, given: dict[str, Any]) -> str:
        add_version(writing, take(RecipeVersionIn, recipe_id=recipe_id, newest=opened_on, **given))
        return f"/lab/recipes/{recipe_id}"

    return _answer(request, form, lab, set_, read(), "make recipe version", act)


@router.get("/lab/recipes/{recipe_id}/versions/{number}/mend")
def edit_version(request: Request, recipe_id: int, number: int, session: Reading) -> Response:
    """A version nothing has used yet, to be mended in place."""
    found = _recipe(session, recipe_id)
    version = found.numbered(number)
    if version is not None and version.frozen:
        raise HTTPException(409, f"Version {number} is frozen: records name it. Make a new version.")
    return page(request, FORM, _context(_mending(found, number), None, None))


@router.post("/lab/recipes/{recipe_id}/versions/{number}/mend")
def save_version(request: Request, recipe_id: int, number: int, form: Posted, lab: Lab, set_: Set) -> Response:
    """Mend a version nothing has used yet."""
    with lab.reading() as session:
        sheet = _mending(_recipe(session, recipe_id), number)
    planned = sheet.planned
    if planned is None:
        raise HTTPException(404, "There is no such version.")

    def act(writing: Writing, given: dict[str, Any]) -> str:
        mend_version(writing, planned.id, take(VersionMendIn, version=version_of(form), **given))
        return f"/lab/recipes/{recipe_id}"

    return _answer(request, form, lab, set_, sheet, "mend recipe version", act)


def _answer(request: Request, form: FormData, lab: Lab, set_: Set, sheet: Sheet, deed: str, act: Any) -> Response:
    """Read head, settings and rows; save, or show everything again. What is unusual here the rules ask."""
    now = datetime.now(UTC)
    asks = sheet.asks()
    head = forms.parse_form(form, asks, now=now, zone=set_.zone)
    rows = forms.parse_rows(form, _row_asks(sheet.step), now=now, zone=set_.zone)
    typed = replace(head.together(rows), questions={})
    if "more" in form:
        return page(request, FORM, _context(sheet, replace(typed, errors={}), form, more=LEAST_ROWS))
    if not typed.ok:
        return page(request, FORM, _context(sheet, typed, form), status=422)
    settings = {setting.name: head.values[setting.name] for setting in planned_settings(sheet.step)}
    given = {name: value for name, value in head.values.items() if name not in settings}
    kept = {(_index(rows, row), at) for row, at in forms.kept_of(form) if at}
    given |= {"settings": settings, "rows": tuple(dict(row) for row in rows.rows), "confirmed": frozenset(kept)}
    try:
        return went(form, save(request, form, lab, deed, lambda writing: act(writing, given)))
    except ChangedMeanwhile as refusal:
        # Saving again then keeps what stands on the form, against the version that is newest by now.
        with lab.reading() as session:
            found = recipe_facts(session, int(request.path_params["recipe_id"]))
        newer = tuple(found.newest.differs) if found else ()
        context = _context(sheet, typed.refused(refusal), form)
        return page(request, FORM, replace(context, theirs=newer), status=409)
    except Refusal as refusal:
        context = _context(sheet, typed.refused(refusal), form)
        return page(request, FORM, replace(context, key=key_after(refusal, form)), status=409)


def _index(rows: Typed, number: int | None) -> int | None:
    return rows.numbers.index(number) if number in rows.numbers and number is not None else None


def _settings(step: StepKind) -> tuple[Ask, ...]:
    return tuple(replace(forms.of_setting(setting), required=False) for setting in planned_settings(step))


def _row_asks(step: StepKind) -> tuple[Ask, ...]:
    return tuple(forms.of_setting(setting) for setting in step.rows.settings) if step.rows else ()


def _recipe(session: Reading, recipe_id: int) -> RecipeFacts:
    found = recipe_facts(session, recipe_id)
    if found is None:
        raise HTTPException(404, "There is no such recipe.")
    return found


def _founding(step: StepKind) -> Sheet:
    return Sheet(
        step=step,
        title=f"New recipe for {step.label.lower()}",
        trail=TRAIL,
        action="/lab/recipes/new",
        button="Save version 1",
        says="Leave blank what the recipe leaves open: it is typed when the step is logged.",
        head=NAME,
        tail=(NOTE,),
    )


def _next_version(found: RecipeFacts) -> Sheet:
    number = found.newest.number + 1
    return Sheet(
        step=found.step,
        title=f"{found.name}, version {number}",
        trail=(*TRAIL, (found.name, f"/lab/recipes/{found.id}")),
        action=f"/lab/recipes/{found.id}/versions/new",
        button=f"Save version {number}",
        says=f"It starts from version {found.newest.number}, which stays as it is.",
        tail=(CHANGED,),
        planned=found.newest,
        newest=found.newest.number,
    )


def _mending(found: RecipeFacts, number: int) -> Sheet:
    version = found.numbered(number)
    if version is None:
        raise HTTPException(404, f"{found.name} has no version {number}.")
    return Sheet(
        step=found.step,
        title=f"Mend {found.name}, version {number}",
        trail=(*TRAIL, (found.name, f"/lab/recipes/{found.id}")),
        action=f"/lab/recipes/{found.id}/versions/{number}/mend",
        button=f"Save version {number}",
        says="Nothing has used this version yet, so it can still be mended in place.",
        tail=(replace(CHANGED, required=number > 1),),
        stored={"changed": version.changed},
        planned=version,
        version=version.version,
    )


def _words_form(found: RecipeFacts) -> PlainForm:
    asks = (*NAME, NOTE, forms.flag("active", "In use"))
    return PlainForm(
        title=f"Change {found.name}",
        trail=(*TRAIL, (found.name, f"/lab/recipes/{found.id}")),
        action=f"/lab/recipes/{found.id}/change",
        button="Save name and note",
        groups=(("", asks),),
        deed="change recipe",
        stored={"name": found.name, "note": found.note, "active": found.active},
        says="A recipe no longer in use is not offered when a step is logged; what it made keeps naming it.",
        version=found.version,
    )


def _context(
    sheet: Sheet, typed: Typed | None, form: FormData | None, *, next_path: str = "", more: int = 0
) -> PlannedContext:
    kept = forms.kept_of(form) if form is not None else frozenset()
    planned: Mapping[str, Any] = sheet.planned.settings if sheet.planned else {}
    stored = {**planned, **(sheet.stored or {})}
    if sheet.planned is not None:
        stored["planned_shots"] = sheet.planned.planned_shots

    def shown(asks: tuple[Ask, ...]) -> tuple[Field, ...]:
        return tuple(forms.show(ask, typed, value=stored.get(ask.name), keep=kept) for ask in asks)

    old_rows = planned.get(sheet.step.rows.name) or [] if sheet.step.rows else []
    count = min(max(LEAST_ROWS, len(old_rows) + 1, rows_of(form) + more), MOST_ROWS)
    row_asks = _row_asks(sheet.step)
    known = [*old_rows, *({} for _ in range(count))]
    settings = sheet.asks()[len(sheet.head) : len(sheet.asks()) - len(sheet.tail)]
    return PlannedContext(
        title=sheet.title,
        trail=sheet.trail,
        action=sheet.action,
        button=sheet.button,
        says_line=sheet.says,
        cautions=sheet.step.cautions,
        head=shown(sheet.head),
        settings=shown(settings),
        rows_label=sheet.step.rows.label if sheet.step.rows else "",
        rows=tuple(
            tuple(forms.show(ask, typed, row=row, value=known[row].get(ask.name), keep=kept) for ask in row_asks)
            for row in range(count if row_asks else 0)
        ),
        row_labels=tuple((ask.label, ask.quantity.unit if ask.quantity else "") for ask in row_asks),
        tail=shown(sheet.tail),
        step_kind=sheet.step.name,
        key=(forms.key_of(form) or "") if form is not None else "",
        version=sheet.version,
        newest=sheet.newest,
        next=next_path or next_of(form),
        typed=typed,
        questions=typed.open_questions(kept) if typed else {},
        theirs=(),
    )
