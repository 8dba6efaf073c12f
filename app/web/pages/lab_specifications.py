"""Specifications: what counts as on specification."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from app.actions.specifications import (
    add_specification_version,
    change_specification,
    register_specification,
)
from app.core.bands import CUSTOMARY_NM
from app.core.vocab import DEVICE_KINDS, MEDIA
from app.queries.specifications import SpecificationFacts, specification_by_id, specification_list
from app.schemas.base import take
from app.schemas.specifications import (
    NumbersIn,
    SpecificationChangeIn,
    SpecificationIn,
    SpecificationVersionIn,
)
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Ask
from app.web.plain_form import PlainForm, Values, Writing, answer, version_of, wanted_next, was_saved
from app.web.render import page

router = APIRouter()
TRAIL = (("Lab", "/lab"), ("Specifications", "/lab/specifications"))
BANDS = {f"{nm} nm": f"{nm} nm" for nm in CUSTOMARY_NM}
NAME = forms.text("name", "Name", required=True)
NUMBERS: tuple[Ask, ...] = (
    forms.quantity("q_intrinsic_min", required=True, help="1e8 or 1 × 10⁸."),
    forms.choice("band", "Band", BANDS, help="Blank: any."),
    forms.choice("medium", "Medium", MEDIA, help="Blank: any."),
)
WINDOWS = tuple(
    forms.quantity(name) for name in ("pillar_ratio_min", "pillar_ratio_max", "outer_um_min", "outer_um_max")
)


@dataclass(frozen=True)
class SpecificationsContext:
    """The specifications with their versions."""

    specifications: tuple[SpecificationFacts, ...]
    saved: bool


@router.get("/lab/specifications")
def specifications(request: Request, session: Reading) -> Response:
    """Every specification with its versions."""
    context = SpecificationsContext(tuple(specification_list(session)), was_saved(request))
    return page(request, "lab/specifications.html", context)


@router.get("/lab/specifications/new")
def new_specification(request: Request) -> Response:
    """An empty form."""
    return page(request, "lab/form.html", _founding().context(next_path=wanted_next(request)))


@router.post("/lab/specifications/new")
def found_specification(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Found a specification."""

    def act(writing: Writing, values: Values) -> str:
        register_specification(writing, take(SpecificationIn, **values))
        return "/lab/specifications"

    return answer(request, form, lab, set_.zone, _founding(), act)


@router.get("/lab/specifications/{specification_id}")
def edit_specification(request: Request, specification_id: int, session: Reading) -> Response:
    """The name of a specification, and whether it is in use."""
    return page(request, "lab/form.html", _words(_found(session, specification_id)).context())


@router.post("/lab/specifications/{specification_id}")
def save_specification(request: Request, specification_id: int, form: Posted, lab: Lab, set_: Set) -> Response:
    """Change the name, or take it out of use."""

    def read() -> PlainForm:
        with lab.reading() as session:
            return _words(_found(session, specification_id))

    def act(writing: Writing, values: Values) -> str:
        data = take(SpecificationChangeIn, **values, version=version_of(form))
        change_specification(writing, specification_id, data)
        return "/lab/specifications"

    return answer(request, form, lab, set_.zone, read(), act, reread=read)


@router.get("/lab/specifications/{specification_id}/versions/new")
def new_version(request: Request, specification_id: int, session: Reading) -> Response:
    """The newest numbers, to be changed into the next version."""
    return page(request, "lab/form.html", _next(_found(session, specification_id)).context())


@router.post("/lab/specifications/{specification_id}/versions/new")
def make_version(request: Request, specification_id: int, form: Posted, lab: Lab, set_: Set) -> Response:
    """Make the next version; `_version` on this form is the number it was opened on."""

    def read() -> PlainForm:
        with lab.reading() as session:
            return _next(_found(session, specification_id))

    def act(writing: Writing, values: Values) -> str:
        data = take(SpecificationVersionIn, specification_id=specification_id, newest=version_of(form), **values)
        add_specification_version(writing, data)
        return "/lab/specifications"

    return answer(request, form, lab, set_.zone, read(), act, reread=read)


def _found(session: Reading, specification_id: int) -> SpecificationFacts:
    found = specification_by_id(session, specification_id)
    if found is None:
        raise HTTPException(404, "There is no such specification.")
    return found


def _founding() -> PlainForm:
    kind = forms.choice("kind", "For", DEVICE_KINDS, required=True)
    return PlainForm(
        title="New specification",
        trail=TRAIL,
        action="/lab/specifications/new",
        button="Save version 1",
        groups=(("", (NAME, kind)), ("At least", NUMBERS), ("Within, where it matters", WINDOWS)),
        deed="found specification",
        stored={},
        says="Silica resonators reflowed by a laser commonly reach an intrinsic Q above 10⁸: the usual place to start.",
    )


def _next(found: SpecificationFacts) -> PlainForm:
    newest = found.newest
    return PlainForm(
        title=f"{found.name}, version {newest.number + 1}",
        trail=TRAIL,
        action=f"/lab/specifications/{found.id}/versions/new",
        button=f"Save version {newest.number + 1}",
        groups=(("At least", NUMBERS), ("Within, where it matters", WINDOWS)),
        deed="make specification version",
        stored={name: getattr(newest, name) for name in NumbersIn.model_fields},
        says=f"Version {newest.number} stays as it is, and so does what was counted by it.",
        version=newest.number,
    )


def _words(found: SpecificationFacts) -> PlainForm:
    return PlainForm(
        title=f"Change {found.name}",
        trail=TRAIL,
        action=f"/lab/specifications/{found.id}",
        button="Save",
        groups=(("", (NAME, forms.flag("active", "In use"))),),
        deed="change specification",
        stored={"name": found.name, "active": found.active},
        version=found.version,
    )
