"""Lots of bought or mixed material: wafer boxes, resist, baths, fibre spools."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from app.actions.lots import change_lot, register_lot
from app.core.properties import LOT_PROPERTIES
from app.core.vocab import LOT_KINDS
from app.queries.lots import LotFacts, lot_facts, lot_list
from app.schemas.base import take
from app.schemas.lots import LotChangeIn, LotIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.plain_form import (
    PlainForm,
    Values,
    Writing,
    answer,
    asks_of,
    typed_instant,
    version_of,
    wanted_next,
    was_saved,
)
from app.web.render import page

router = APIRouter()
TRAIL = (("Lab", "/lab"), ("Lots", "/lab/lots"))
OWN = frozenset({"kind", "code", "name", "supplier_lot", "opened_at", "expires_at", "used_up", "note"})


@dataclass(frozen=True)
class LotsContext:
    """The list of lots."""

    lots: tuple[LotFacts, ...]
    saved: bool


@dataclass(frozen=True)
class LotContext:
    """One lot, and the pieces that came from it."""

    lot: LotFacts
    saved: bool


@router.get("/lab/lots")
def lots(request: Request, session: Reading) -> Response:
    """Every lot, those that have run out marked."""
    rows = tuple(lot_list(session, datetime.now(UTC)))
    return page(request, "lab/lots.html", LotsContext(rows, was_saved(request)))


@router.get("/lab/lots/new")
def new_lot(request: Request, kind: str = "") -> Response:
    """An empty form; with `?kind=` it asks for what that kind of material keeps."""
    return page(request, "lab/form.html", _new_form(kind).context(next_path=wanted_next(request)))


@router.post("/lab/lots/new")
def add_lot(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Register a lot."""
    kind = form.get("kind")

    def act(writing: Writing, values: Values) -> str:
        properties, rest = _apart(values)
        lot = register_lot(writing, take(LotIn, **{**rest, "code": rest["code"] or ""}, properties=properties))
        return f"/lab/lots/{lot.code}"

    return answer(request, form, lab, set_.zone, _new_form(kind if isinstance(kind, str) else ""), act)


@router.get("/lab/lots/{code}")
def lot(request: Request, code: str, session: Reading) -> Response:
    """One lot."""
    return page(request, "lab/lot.html", LotContext(_lot(session, code), was_saved(request)))


@router.get("/lab/lots/{code}/change")
def edit_lot(request: Request, code: str, session: Reading, set_: Set) -> Response:
    """The form of one lot as it stands."""
    return page(request, "lab/form.html", _change_form(_lot(session, code), set_.zone).context())


@router.post("/lab/lots/{code}/change")
def save_lot(request: Request, code: str, form: Posted, lab: Lab, set_: Set) -> Response:
    """Change a lot."""

    def read() -> LotFacts:
        with lab.reading() as session:
            return _lot(session, code)

    found = read()

    def act(writing: Writing, values: Values) -> str:
        properties, rest = _apart(values)
        kept = {**found.properties, **properties}
        change_lot(writing, found.id, take(LotChangeIn, **rest, properties=kept, version=version_of(form)))
        return f"/lab/lots/{found.code}"

    plain = _change_form(found, set_.zone)
    return answer(request, form, lab, set_.zone, plain, act, reread=lambda: _change_form(read(), set_.zone))


def _lot(session: Reading, code: str) -> LotFacts:
    found = lot_facts(session, code, datetime.now(UTC))
    if found is None:
        raise HTTPException(404, f"No lot is called {code}.")
    return found


def _days() -> tuple[forms.Ask, ...]:
    return (
        replace(forms.when("opened_at", "Opened or mixed", required=False), help="now, yesterday, 2026-03-12"),
        replace(forms.when("expires_at", "Good until", required=False), help="A day: 2027-03-12."),
    )


def _new_form(kind: str) -> PlainForm:
    asks = (
        forms.choice("kind", "Kind", LOT_KINDS, required=True),
        forms.code("code", "Code", required=True, help="Short, on the bottle or box itself: RES-3, SPOOL-1."),
        forms.text("name", "What it is"),
        forms.text("supplier_lot", "Supplier’s lot"),
        *_days(),
    )
    more = asks_of(LOT_PROPERTIES.get(kind, ()))
    note = ("", (forms.text("note", "Note", long=True),))
    return PlainForm(
        title=f"New lot: {LOT_KINDS[kind].lower()}" if kind in LOT_KINDS else "New lot",
        trail=TRAIL,
        action="/lab/lots/new",
        button="Save this lot",
        groups=(("", asks), (("Of this kind", more)), note) if more else (("", asks), note),
        deed="register lot",
        stored={"kind": kind if kind in LOT_KINDS else None},
    )


def _change_form(found: LotFacts, zone: ZoneInfo) -> PlainForm:
    asks = (
        forms.text("name", "What it is"),
        forms.text("supplier_lot", "Supplier’s lot"),
        *_days(),
        forms.flag("used_up", "Used up"),
    )
    more = asks_of(LOT_PROPERTIES.get(found.kind, ()))
    note = ("", (forms.text("note", "Note", long=True),))
    stored: dict[str, Any] = {
        "name": found.name,
        "supplier_lot": found.supplier_lot,
        "opened_at": typed_instant(found.opened_at, zone),
        "expires_at": typed_instant(found.expires_at, zone),
        "used_up": found.used_up,
        "note": found.note,
    }
    return PlainForm(
        title=f"Change {found.code}",
        trail=(*TRAIL, (found.code, f"/lab/lots/{found.code}")),
        action=f"/lab/lots/{found.code}/change",
        button=f"Save {found.code}",
        groups=(("", asks), (found.kind_word, more), note) if more else (("", asks), note),
        deed="change lot",
        stored={**found.properties, **stored},
        version=found.version,
    )


def _apart(values: Values) -> tuple[dict[str, Any], dict[str, Any]]:
    """(properties of the kind, the lot's own words)."""
    properties = {name: value for name, value in values.items() if name not in OWN}
    return properties, {name: value for name, value in values.items() if name in OWN}
