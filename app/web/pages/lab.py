"""The lab: what there is of everything, its settings, and what is plausible here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from app.actions.lab import change_lab, set_range
from app.core.quantities import QUANTITIES, Quantity
from app.core.reading import ReadError, read_quantity, value_text
from app.core.refusal import Refusal
from app.queries.lab import LabFacts, Setup, lab_facts, quantities_here, setup, stated_ranges
from app.queries.lots import lot_list
from app.queries.masks import mask_list
from app.queries.people import people_list
from app.queries.recipes import recipe_list
from app.queries.specifications import specification_list
from app.queries.tools import tool_list
from app.schemas.base import take
from app.schemas.lab import LabIn, RangeIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.plain_form import PlainForm, Values, Writing, answer, was_saved
from app.web.render import page

router = APIRouter()
TRAIL = (("Lab", "/lab"), ("Settings", "/lab/settings"))


@dataclass(frozen=True)
class Area:
    """One area of the lab: how much there is of it, and what in it needs a hand."""

    path: str
    name: str
    count: int
    what: str
    due: str = ""


@dataclass(frozen=True)
class LabContext:
    """The lab at a glance."""

    facts: LabFacts
    areas: tuple[Area, ...]
    setup: Setup


@dataclass(frozen=True)
class RangeRow:
    """One quantity's plausible range in words."""

    name: str
    label: str
    here: str
    declared: str
    edited: bool


@dataclass(frozen=True)
class SettingsContext:
    """Settings of the lab, and plausible ranges."""

    facts: LabFacts
    zone: str
    ranges: tuple[RangeRow, ...]
    saved: bool


@router.get("/lab")
def overview(request: Request, session: Reading) -> Response:
    """What there is of everything."""
    now = datetime.now(UTC)
    tools, lots = tool_list(session, now), lot_list(session, now)
    overdue = sum(tool.overdue for tool in tools)
    expired = sum(lot.expired for lot in lots)
    areas = (
        Area("/lab/people", "People", len(people_list(session)), "who logs"),
        Area("/lab/tools", "Tools", len(tools), "with their calibrations", _due(overdue, "calibration", "overdue")),
        Area("/lab/lots", "Lots", len(lots), "wafers, resist, baths, fibre", _due(expired, "lot", "expired")),
        Area("/lab/masks", "Masks", len(mask_list(session)), "arrays of discs"),
        Area("/lab/recipes", "Recipes", len(recipe_list(session)), "ways to do a step, in versions"),
        Area("/lab/specifications", "Specifications", len(specification_list(session)), "what is good enough"),
    )
    return page(request, "lab/lab.html", LabContext(lab_facts(session), areas, setup(session)))


@router.get("/lab/settings")
def settings(request: Request, session: Reading, set_: Set) -> Response:
    """Name, time zone, stalled days; plausible ranges."""
    rows = []
    for each in stated_ranges(session):
        quantity = each.quantity
        declared = replace(quantity, plausible=each.declared)
        rows.append(RangeRow(quantity.name, quantity.label, _range(quantity), _range(declared), each.edited))
    context = SettingsContext(lab_facts(session), set_.zone.key, tuple(rows), was_saved(request))
    return page(request, "lab/settings.html", context)


@router.get("/lab/settings/change")
def edit_settings(request: Request, session: Reading, set_: Set) -> Response:
    """The form of the lab's settings."""
    return page(request, "lab/form.html", _form(lab_facts(session), set_.zone.key).context())


@router.post("/lab/settings/change")
def save_settings(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Change the lab's settings."""
    with lab.reading() as session:
        plain = _form(lab_facts(session), set_.zone.key)

    def act(writing: Writing, values: Values) -> str:
        change_lab(writing, take(LabIn, **values))
        return "/lab/settings"

    return answer(request, form, lab, set_.zone, plain, act)


@router.get("/lab/settings/ranges/{name}")
def edit_range(request: Request, name: str, session: Reading) -> Response:
    """The form of one plausible range."""
    return page(request, "lab/form.html", _range_form(session, name).context())


@router.post("/lab/settings/ranges/{name}")
def save_range(request: Request, name: str, form: Posted, lab: Lab, set_: Set) -> Response:
    """Change one plausible range."""
    with lab.reading() as session:
        plain = _range_form(session, name)

    def act(writing: Writing, values: Values) -> str:
        ends = {at: _end(name, at, values[at]) for at in ("low", "high")}
        set_range(writing, take(RangeIn, quantity=name, **ends))
        return "/lab/settings"

    return answer(request, form, lab, set_.zone, plain, act)


def _form(facts: LabFacts, zone: str) -> PlainForm:
    asks = (
        forms.text("name", "Name of the lab", required=True),
        forms.text("zone", "Time zone", required=True, help="As Europe/Vienna. Times are kept in UTC, shown in it."),
        forms.quantity("stalled_days", required=True, help="Days without a deed after which a piece is stalled."),
    )
    return PlainForm(
        title="Settings of the lab",
        trail=TRAIL,
        action="/lab/settings/change",
        button="Save settings",
        groups=(("", asks),),
        deed="change lab settings",
        stored={"name": facts.name, "zone": facts.zone or zone, "stalled_days": facts.stalled_days},
    )


def _range_form(session: Reading, name: str) -> PlainForm:
    if name not in QUANTITIES:
        raise HTTPException(404, f"There is no quantity {name}.")
    quantity = quantities_here(session)[name]
    unit = f" in {quantity.unit}" if quantity.unit else ""
    asks = (
        forms.text("low", f"From{unit}", help="Blank: no lower end."),
        forms.text("high", f"To{unit}", help="Blank: no upper end."),
    )
    stored: Mapping[str, str] = {
        at: _bare(end, name) for at, end in zip(("low", "high"), quantity.plausible, strict=True)
    }
    return PlainForm(
        title=f"What is plausible: {quantity.label.lower()}",
        trail=TRAIL,
        action=f"/lab/settings/ranges/{name}",
        button="Save this range",
        groups=(("", asks),),
        deed="change plausible range",
        stored=stored,
        says=f"Outside it a person confirms. Declared: {_range(QUANTITIES[name])}; both blank brings that back.",
    )


def _end(name: str, at: str, typed: str | None) -> float | None:
    if not typed:
        return None
    # An end may lie outside the present range, so only what is impossible is refused.
    read = read_quantity(typed, replace(QUANTITIES[name], whole=False))
    if isinstance(read, ReadError):
        raise Refusal.of(read.text, at=at)
    return read.value


def _bare(value: float | None, name: str) -> str:
    if value is None:
        return ""
    return value_text(value, replace(QUANTITIES[name], unit="")).replace("\u202f", "").replace("−", "-")


def _range(quantity: Quantity) -> str:
    bare = replace(quantity, decimals=0)
    low, high = (None if end is None else value_text(end, bare) for end in quantity.plausible)
    if low is None and high is None:
        return "anything possible"
    if low is None or high is None:
        return f"at most {high}" if low is None else f"at least {low}"
    return f"{low} to {high}"


def _due(count: int, what: str, word: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'} {word}" if count else ""
