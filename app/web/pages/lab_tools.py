"""Tools of the lab, and what happens to them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from app.actions.tools import change_tool, record_tool_event, register_tool, void_tool_event
from app.core.properties import CALIBRATED, TOOL_PROPERTIES, TOOL_STATES, UNITS_OF, read_calibration
from app.core.reading import ReadError
from app.core.refusal import Refusal
from app.core.vocab import CORRECTION_REASONS, TOOL_EVENTS, TOOL_KINDS
from app.queries.tools import ToolFacts, ToolRow, tool_facts, tool_list
from app.schemas.base import take
from app.schemas.tools import ToolChangeIn, ToolEventIn, ToolIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.plain_form import (
    PlainForm,
    Values,
    Writing,
    answer,
    asks_of,
    save,
    version_of,
    wanted_next,
    was_saved,
    went,
)
from app.web.render import page

router = APIRouter()
TRAIL = (("Lab", "/lab"), ("Tools", "/lab/tools"))
UNITS = {unit: unit for unit in dict.fromkeys(unit for units in UNITS_OF.values() for unit in units) if unit}


@dataclass(frozen=True)
class ToolsContext:
    """The list of tools."""

    tools: tuple[ToolRow, ...]
    saved: bool


@dataclass(frozen=True)
class ToolContext:
    """One tool: what holds of it, and everything that happened to it."""

    tool: ToolFacts
    state_word: str
    reasons: Mapping[str, str]
    saved: bool


@router.get("/lab/tools")
def tools(request: Request, session: Reading) -> Response:
    """Every tool, with the calibration that runs out first."""
    rows = tuple(tool_list(session, datetime.now(UTC)))
    return page(request, "lab/tools.html", ToolsContext(rows, was_saved(request)))


@router.get("/lab/tools/new")
def new_tool(request: Request, kind: str = "") -> Response:
    """An empty form; with `?kind=` it asks for what that kind of tool keeps."""
    return page(request, "lab/form.html", _new_form(kind).context(next_path=wanted_next(request)))


@router.post("/lab/tools/new")
def add_tool(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Register a tool."""
    kind = form.get("kind")
    plain = _new_form(kind if isinstance(kind, str) else "")

    def act(writing: Writing, values: Values) -> str:
        properties, rest = _apart(values, plain)
        tool = register_tool(writing, take(ToolIn, **_words(rest), properties=properties))
        return f"/lab/tools/{tool.code}"

    return answer(request, form, lab, set_.zone, plain, act)


@router.get("/lab/tools/{code}")
def tool(request: Request, code: str, session: Reading) -> Response:
    """One tool."""
    found = _tool(session, code)
    word = TOOL_STATES.get(found.state, found.state)
    return page(request, "lab/tool.html", ToolContext(found, word, CORRECTION_REASONS, was_saved(request)))


@router.get("/lab/tools/{code}/change")
def edit_tool(request: Request, code: str, session: Reading) -> Response:
    """The form of one tool as it stands."""
    return page(request, "lab/form.html", _change_form(_tool(session, code)).context())


@router.post("/lab/tools/{code}/change")
def save_tool(request: Request, code: str, form: Posted, lab: Lab, set_: Set) -> Response:
    """Change a tool."""

    def read() -> ToolFacts:
        with lab.reading() as session:
            return _tool(session, code)

    found = read()
    plain = _change_form(found)

    def act(writing: Writing, values: Values) -> str:
        properties, rest = _apart(values, plain)
        # What a kind no longer declares is kept as it was.
        kept = {**found.properties, **properties}
        data = take(ToolChangeIn, **_words(rest), properties=kept, version=version_of(form))
        change_tool(writing, found.id, data)
        return f"/lab/tools/{found.code}"

    return answer(request, form, lab, set_.zone, plain, act, reread=lambda: _change_form(read()))


@router.get("/lab/tools/{code}/events/new")
def new_event(request: Request, code: str, session: Reading, kind: str = "calibration") -> Response:
    """An empty form for a calibration, service, fault or bath change."""
    plain = _event_form(_tool(session, code), kind if kind in TOOL_EVENTS else "calibration")
    return page(request, "lab/form.html", plain.context(next_path=wanted_next(request)))


@router.post("/lab/tools/{code}/events/new")
def add_event(request: Request, code: str, form: Posted, lab: Lab, set_: Set) -> Response:
    """Record what happened to a tool."""
    with lab.reading() as session:
        found = _tool(session, code)
    kind = form.get("kind")
    plain = _event_form(found, kind if isinstance(kind, str) and kind in TOOL_EVENTS else "calibration")

    def act(writing: Writing, values: Values) -> str:
        given = {**values, **_stated(values)}
        record_tool_event(writing, take(ToolEventIn, tool_id=found.id, **given))
        return f"/lab/tools/{found.code}"

    return answer(request, form, lab, set_.zone, plain, act)


@router.post("/lab/tools/{code}/events/{event_id}/void")
def void_event(request: Request, code: str, event_id: int, form: Posted, lab: Lab) -> Response:
    """Take back what was entered by mistake: it stays readable."""
    with lab.reading() as session:
        found = _tool(session, code)
    if all(event.id != event_id for event in found.events):
        raise HTTPException(404, f"{found.code} has no such record.")
    reason = form.get("reason")
    why = CORRECTION_REASONS.get(reason, "") if isinstance(reason, str) else ""

    def act(writing: Writing) -> str:
        void_tool_event(writing, event_id, why)
        return f"/lab/tools/{found.code}"

    return went(form, save(request, form, lab, "take back tool event", act))


def _tool(session: Reading, code: str) -> ToolFacts:
    found = tool_facts(session, code)
    if found is None:
        raise HTTPException(404, f"No tool is called {code}.")
    return found


def _new_form(kind: str) -> PlainForm:
    asks = (
        forms.choice("kind", "Kind", TOOL_KINDS, required=True),
        forms.code("code", "Code", required=True, help="Short, typeable, on the tool itself: CO2, XE, METER."),
        forms.text("name", "Name", required=True),
        forms.text("place", "Place"),
    )
    more = asks_of(TOOL_PROPERTIES.get(kind, ()))
    groups = (
        ("", asks),
        *((("Of this kind", more),) if more else ()),
        ("", (forms.text("note", "Note", long=True),)),
    )
    return PlainForm(
        title="New tool",
        trail=TRAIL,
        action="/lab/tools/new",
        button="Save this tool",
        groups=groups,
        deed="register tool",
        stored={"kind": kind if kind in TOOL_KINDS else None},
    )


def _change_form(found: ToolFacts) -> PlainForm:
    asks = (
        forms.text("name", "Name", required=True),
        forms.text("place", "Place"),
        forms.choice("state", "State", TOOL_STATES, required=True),
    )
    more = asks_of(TOOL_PROPERTIES.get(found.kind, ()))
    groups = (
        ("", asks),
        *(((found.kind_word, more),) if more else ()),
        ("", (forms.text("note", "Note", long=True),)),
    )
    stored = {"name": found.name, "place": found.place, "state": found.state, "note": found.note}
    return PlainForm(
        title=f"Change {found.code}",
        trail=(*TRAIL, (found.code, f"/lab/tools/{found.code}")),
        action=f"/lab/tools/{found.code}/change",
        button=f"Save {found.code}",
        groups=groups,
        deed="change tool",
        stored={**found.properties, **stored},
        version=found.version,
    )


def _event_form(found: ToolFacts, kind: str) -> PlainForm:
    asks = [forms.choice("kind", "What happened", TOOL_EVENTS, required=True), forms.when()]
    if kind == "calibration":
        unit = forms.choice("unit", "Unit", UNITS, help="Of power per dialled unit; others have their own.")
        asks += [
            forms.choice("what", "What was found", CALIBRATED, required=True),
            forms.text("value", "Value", required=True, help="0.42 W/% means: each per cent dialled gives 0.42 W."),
            unit,
            replace(forms.when("valid_until", "Holds until", required=False), help="A day: 2027-03-12."),
        ]
    note = (forms.text("note", "Note", long=True),)
    return PlainForm(
        title=f"{TOOL_EVENTS[kind]} of {found.code}",
        trail=(*TRAIL, (found.code, f"/lab/tools/{found.code}")),
        action=f"/lab/tools/{found.code}/events/new",
        button=f"Save this {TOOL_EVENTS[kind].lower()}",
        groups=(("", tuple(asks)), ("", note)),
        deed="record tool event",
        stored={"kind": kind, "done_at": "now"},
    )


def _stated(values: Values) -> dict[str, Any]:
    """The value of a calibration with its unit, as read; a Refusal at the field where it cannot be."""
    typed = values.get("value")
    if typed is None:
        return {"value": None, "unit": None}
    read = read_calibration(values.get("what") or "", typed, values.get("unit"))
    if isinstance(read, ReadError):
        raise Refusal.of(read.text, at="unit" if "per what" in read.text else "value")
    return {"value": read[0].value, "unit": read[1]}


def _apart(values: Values, plain: PlainForm) -> tuple[dict[str, Any], dict[str, Any]]:
    """(properties of the kind, the tool's own words)."""
    own = {"kind", "code", "name", "place", "state", "note"}
    names = {ask.name for ask in plain.asks}
    return (
        {name: value for name, value in values.items() if name in names - own},
        {name: value for name, value in values.items() if name in own},
    )


def _words(values: dict[str, Any]) -> dict[str, Any]:
    return {name: value or "" for name, value in values.items()}
