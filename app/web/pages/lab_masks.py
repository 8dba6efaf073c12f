"""Photomasks: arrays of discs, drawn to scale."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData

from app.actions.masks import change_mask, register_mask
from app.core.mask_drawing import ArrayDrawing, PlateDrawing, draw_array, draw_plate
from app.core.quantities import QUANTITIES
from app.core.reading import ReadError, read_quantity
from app.core.refusal import Refusal, Where
from app.queries.masks import MaskFacts, mask_facts, mask_list
from app.schemas.base import take
from app.schemas.masks import ArrayIn, MaskChangeIn, MaskIn
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
TRAIL = (("Lab", "/lab"), ("Masks", "/lab/masks"))
LEAST_ROWS, MOST_ROWS = 3, 24

HEAD: tuple[Ask, ...] = (
    forms.code("code", "Code", required=True, help="With its revision: DISCS-2."),
    forms.text("name", "Name"),
    forms.quantity("plate_mm"),
    forms.quantity("edge_margin_mm", help="Kept free along the plate’s edge."),
    forms.text("note", "Note", long=True),
)
WHOLE = {"rows": "Rows", "columns": "Columns"}
ARRAY: tuple[Ask, ...] = (
    forms.text("label", "Label"),
    *(forms.text(name, words) for name, words in WHOLE.items()),
    forms.quantity("disc_um"),
    forms.text("ladder_um", "Size ladder"),
    *(forms.quantity(name) for name in ("pitch_x_um", "pitch_y_um", "origin_x_um", "origin_y_um")),
)
FILLED = tuple(ask.name for ask in ARRAY)


@dataclass(frozen=True)
class MasksContext:
    """The list of masks."""

    masks: tuple[MaskFacts, ...]
    saved: bool


@dataclass(frozen=True)
class MaskContext:
    """One mask with its drawings."""

    mask: MaskFacts
    plate: PlateDrawing
    arrays: tuple[ArrayDrawing, ...]
    saved: bool


@dataclass(frozen=True)
class MaskFormContext:
    """The form of a new mask: its words, and a row for each array."""

    head: tuple[Field, ...]
    rows: tuple[tuple[Field, ...], ...]
    labels: tuple[tuple[str, str], ...]
    """(label, unit) of each column."""
    key: str
    next: str
    typed: Typed | None
    questions: Mapping[Where, str]


@router.get("/lab/masks")
def masks(request: Request, session: Reading) -> Response:
    """Every mask."""
    return page(request, "lab/masks.html", MasksContext(tuple(mask_list(session)), was_saved(request)))


@router.get("/lab/masks/new")
def new_mask(request: Request) -> Response:
    """An empty form."""
    return page(request, "lab/mask_form.html", _form_context(None, None, next_path=wanted_next(request)))


@router.post("/lab/masks/new")
def add_mask(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Register a mask with its arrays; `more` only adds empty rows and keeps what was typed."""
    now = datetime.now(UTC)
    head = forms.parse_form(form, HEAD, now=now, zone=set_.zone)
    rows, arrays = _arrays(forms.parse_rows(form, ARRAY, now=now, zone=set_.zone, counts=FILLED))
    typed = head.together(rows)
    if "more" in form:
        calm = replace(typed, errors={}, questions={})
        return page(request, "lab/mask_form.html", _form_context(calm, form, more=LEAST_ROWS))
    if not typed.ok or typed.open_questions(forms.kept_of(form)):
        return page(request, "lab/mask_form.html", _form_context(typed, form), status=422)

    def act(writing: Writing) -> str:
        mask = register_mask(writing, take(MaskIn, **head.values, arrays=arrays))
        return f"/lab/masks/{mask.code}"

    try:
        return went(form, save(request, form, lab, "register mask", act))
    except Refusal as refusal:
        context = _form_context(typed.refused(refusal), form)
        return page(request, "lab/mask_form.html", replace(context, key=key_after(refusal, form)), status=409)


@router.get("/lab/masks/{code}")
def mask(request: Request, code: str, session: Reading) -> Response:
    """One mask, drawn to scale."""
    found = _mask(session, code)
    if found.code != code:
        return RedirectResponse(f"/lab/masks/{found.code}", status_code=307)
    drawings = tuple(draw_array(row.array) for row in found.arrays)
    plate = draw_plate([row.array for row in found.arrays], found.plate_mm, found.edge_margin_mm)
    return page(request, "lab/mask.html", MaskContext(found, plate, drawings, was_saved(request)))


@router.get("/lab/masks/{code}/change")
def edit_mask(request: Request, code: str, session: Reading) -> Response:
    """The form of a mask's words."""
    return page(request, "lab/form.html", _change_form(_mask(session, code)).context())


@router.post("/lab/masks/{code}/change")
def save_mask(request: Request, code: str, form: Posted, lab: Lab, set_: Set) -> Response:
    """Change a mask's words."""

    def read() -> MaskFacts:
        with lab.reading() as session:
            return _mask(session, code)

    found = read()

    def act(writing: Writing, values: Values) -> str:
        change_mask(writing, found.id, take(MaskChangeIn, **values, version=version_of(form)))
        return f"/lab/masks/{found.code}"

    return answer(request, form, lab, set_.zone, _change_form(found), act, reread=lambda: _change_form(read()))


def _mask(session: Reading, code: str) -> MaskFacts:
    found = mask_facts(session, code)
    if found is None:
        raise HTTPException(404, f"No mask is called {code}.")
    return found


def _change_form(found: MaskFacts) -> PlainForm:
    return PlainForm(
        title=f"Change {found.code}",
        trail=(*TRAIL, (found.code, f"/lab/masks/{found.code}")),
        action=f"/lab/masks/{found.code}/change",
        button=f"Save {found.code}",
        groups=(("", (forms.text("name", "Name"), forms.text("note", "Note", long=True))),),
        deed="change mask",
        stored={"name": found.name, "note": found.note},
        says="The arrays stay as they are: devices stand on them. A mask cut anew is a mask with a code of its own.",
        version=found.version,
    )


def _form_context(typed: Typed | None, form: FormData | None, *, next_path: str = "", more: int = 0) -> MaskFormContext:
    kept = forms.kept_of(form) if form is not None else frozenset()
    count = min(max(LEAST_ROWS, rows_of(form) + more), MOST_ROWS)
    return MaskFormContext(
        head=tuple(forms.show(ask, typed, keep=kept) for ask in HEAD),
        rows=tuple(tuple(forms.show(ask, typed, row=row, keep=kept) for ask in ARRAY) for row in range(count)),
        labels=tuple((ask.label, ask.quantity.unit if ask.quantity else "") for ask in ARRAY),
        key=(forms.key_of(form) or "") if form is not None else "",
        next=next_path or next_of(form),
        typed=typed,
        questions=typed.open_questions(kept) if typed else {},
    )


def _arrays(rows: Typed) -> tuple[Typed, tuple[ArrayIn, ...]]:
    """The arrays as inputs; what cannot be read is an error at its place."""
    errors: dict[Where, str] = dict(rows.errors)
    understood = dict(rows.understood)
    arrays: list[ArrayIn] = []
    for number, values in zip(rows.numbers, rows.rows, strict=True):
        given: dict[str, Any] = dict(values)
        for name, words in WHOLE.items():
            given[name] = _whole(given[name], words, errors, (number, name))
        given["ladder_um"] = _ladder(given["ladder_um"] or "", errors, understood, (number, "ladder_um"))
        if given["disc_um"] is None and given["ladder_um"]:
            given["disc_um"] = given["ladder_um"][0]
        for name in ("disc_um", "pitch_x_um"):
            if given[name] is None:
                errors.setdefault((number, name), f"{QUANTITIES[name].label} is missing")
        given["pitch_y_um"] = given["pitch_y_um"] if given["pitch_y_um"] is not None else given["pitch_x_um"]
        if not any(row == number for row, _ in errors):
            arrays.append(ArrayIn(**given))
    return replace(rows, errors=errors, understood=understood), tuple(arrays)


def _whole(typed: str | None, words: str, errors: dict[Where, str], where: Where) -> int:
    if typed is not None and re.fullmatch(r"[0-9]{1,4}", typed.strip()) and int(typed) > 0:
        return int(typed)
    errors[where] = f"{words}: a whole number from 1 is wanted" + (f", “{typed[:20]}” is none" if typed else "")
    return 0


def _ladder(typed: str, errors: dict[Where, str], understood: dict[Where, str], where: Where) -> tuple[float, ...]:
    """Sizes row by row: `80; 90,5; 100`, or with spaces; a comma alone is a decimal sign."""
    parts = [part.strip() for part in re.split(r";|,\s+|\s+(?=[0-9])", typed) if part.strip()]
    sizes: list[float] = []
    for part in parts:
        read = read_quantity(part, QUANTITIES["disc_um"])
        if isinstance(read, ReadError):
            errors[where] = f"Size ladder, “{part[:20]}”: one size for each row, separated by semicolons"
            return ()
        sizes.append(read.value)
    if sizes:
        understood[where] = "; ".join(f"{size:g}" for size in sizes)
    return tuple(sizes)
