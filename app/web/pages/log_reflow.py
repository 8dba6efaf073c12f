"""Reflow: opening a session at the laser, then its shots, a few devices at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from app.actions.log_reflow import open_session, record_shots
from app.core.step_catalogue import STEPS
from app.core.vocab import SHOT_OUTCOMES, SHOT_PURPOSES
from app.queries.codes import PieceRef
from app.queries.log import piece_of, pieces_called
from app.queries.log_choices import Plan, plan_of, tool_choices, version_choices
from app.queries.log_sessions import (
    Beam,
    SessionFacts,
    SessionRow,
    ShotRow,
    beam_now,
    dial_doubt,
    next_to_shoot,
    recent_sessions,
    session_facts,
    shots_of,
)
from app.schemas.log import SessionIn, ShotIn, ShotsIn
from app.web import forms
from app.web.asks import without_unit
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Ask, Field, Typed
from app.web.log_form import (
    NOTE,
    SAID,
    WHEN,
    Form,
    again,
    attempt,
    codes_in,
    confirmed,
    parse,
    parse_rows,
    read_when_said,
)
from app.web.render import page

router = APIRouter()
REFLOW = STEPS["reflow"]

KEYS = {
    "good": "g",
    "no_change": "n",
    "not_closed": "r",
    "off_centre": "o",
    "over_melted": "m",
    "buckled": "b",
    "silicon_melted": "s",
    "gone": "x",
}
OPEN = "open"
OUTCOMES = {each: f"{KEYS[each]}  {SHOT_OUTCOMES[each]}" for each in KEYS} | {OPEN: "u  Not looked at yet"}
"""Letters, not figures, are typed to choose one: figures are being typed next to them."""
ALIGNMENTS = {"burn_mark": "Burn mark", "cross_hair": "Camera cross-hair", "pointer": "Pointer laser", "none": "None"}
ALIGNED = {"start": "At the start", "each": "Before each piece", "end": "At the end"}
SPOTS = ("knife edge", "burn paper", "camera", "maker's figure")
ROWS, BLANK_ROWS, MOST_ROWS = 10, 3, 200

SESSION = (
    forms.quantity("warm_up_min"),
    forms.quantity("spot_um", help="Without it no intensity can be worked out."),
    forms.text("spot_how", "Spot measured by"),
    forms.quantity("meter_start_w"),
    forms.quantity("meter_end_w", help="Can be filled in at the end."),
    forms.text("meter_where", "Meter read at", help="At the sample, behind the shutter …"),
    forms.choice("alignment", "Alignment check", ALIGNMENTS),
    forms.choice("alignment_when", "Checked", ALIGNED),
)
FIRST = ("dialled", "dial_unit", "exposure_s")
"""Settings that stand beside what they put on the sample; the others follow the outcome."""
SHOT = (
    forms.text("device", "Device"),
    *[forms.of_setting(REFLOW.setting(name)) for name in FIRST],
    forms.choice("outcome", "Outcome", OUTCOMES),
    forms.choice("purpose", "Purpose", SHOT_PURPOSES),
    *[forms.of_setting(setting) for setting in REFLOW.settings if setting.name not in FIRST],
    forms.text("note", "Note"),
)
SETTINGS = tuple(setting.name for setting in REFLOW.settings)


@dataclass(frozen=True)
class OpenContext:
    """Opening a session, or going on with one."""

    form: Form
    said: Mapping[str, str]
    tools: tuple[Field, ...]
    settings: tuple[Field, ...]
    recent: tuple[SessionRow, ...]
    query: str


@dataclass(frozen=True)
class ShotsContext:
    """One session: shots so far, and rows for the next."""

    sitting: SessionFacts
    shots: tuple[ShotRow, ...]
    saved: int
    piece: PieceRef | None
    piece_error: str
    versions: Mapping[str, str]
    plan: Plan | None
    planned_beam: Beam | None
    doubt: str
    form: Form
    said: Mapping[str, str]
    rows: tuple[tuple[Field, ...], ...]
    beams: tuple[Beam | None, ...]
    ahead: tuple[str, ...]
    waiting: int
    query: str


def _tools(session: Reading) -> tuple[Ask, ...]:
    return (
        forms.record("tool_id", "Laser", tool_choices(session, REFLOW.tool_kinds)),
        forms.record("meter_tool_id", "Power meter", tool_choices(session, ("power_meter",))),
    )


def _opening(request: Request, session: Reading, form: Form) -> OpenContext:
    query = {name: value for name in ("pieces", "devices", "recipe") if (value := request.query_params.get(name))}
    return OpenContext(
        form=form,
        said=SAID,
        tools=tuple(forms.show(ask, form.typed, value=_only(ask)) for ask in _tools(session)),
        settings=tuple(
            forms.show(ask, form.typed, suggestions=SPOTS if ask.name == "spot_how" else ()) for ask in SESSION
        ),
        recent=tuple(recent_sessions(session)),
        query=f"?{urlencode(query)}" if query else "",
    )


def _only(ask: Ask) -> str | None:
    return next(iter(ask.choices)) if len(ask.choices) == 1 else None


@router.get("/log/reflow-session")
def new_session(request: Request, session: Reading) -> Response:
    """A form for a new session, and the sessions one may go on with."""
    query = f"?{request.url.query}" if request.url.query else ""
    return page(request, "log/reflow_session.html", _opening(request, session, Form(f"/log/reflow-session{query}")))


@router.post("/log/reflow-session")
def save_session(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set) -> Response:
    """Open a session and go to its shots."""
    asks = (*_tools(session), *SESSION, WHEN, NOTE)
    typed = parse(form, asks, set_.zone)
    done_at, said = read_when_said(form, typed, set_.zone)
    query = f"?{request.url.query}" if request.url.query else ""

    def do(writing: Any) -> str:
        values = {ask.name: typed.values[ask.name] for ask in asks if ask.name != "done_at"}
        sitting = open_session(writing, SessionIn(**values, done_at=done_at, confirmed=confirmed(form, typed)))
        return f"/log/reflow/{sitting.id}{query}"

    done = attempt(request, lab, form, typed, "open a reflow session", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    shown = again(form, done, f"/log/reflow-session{query}", said)
    return page(request, "log/reflow_session.html", _opening(request, session, shown), status=done.status)


def _sitting(session: Reading, session_id: int) -> SessionFacts:
    sitting = session_facts(session, session_id) if session_id < 2**31 else None
    if sitting is None:
        raise HTTPException(404, f"There is no reflow session {session_id}.")
    return sitting


def _number(text: Any) -> int | None:
    return int(text) if isinstance(text, str) and text.isdecimal() and len(text) < 10 else None


@dataclass(frozen=True)
class _Place:
    """Where the shots go: one piece, by a recipe version; `ahead` are the devices that come next on it."""

    piece: PieceRef | None
    error: str
    plan: Plan | None
    ahead: tuple[str, ...]
    waiting: int


def _place(session: Reading, pieces: str, recipe: Any, count: int, devices: str = "") -> _Place:
    found, unknown = pieces_called(session, codes_in(pieces))
    error = f"No piece is called {', '.join(unknown[:4])}." if unknown else ""
    if len(found) > 1:
        error = "Shots are logged on one piece at a time: the first is taken."
    named = codes_in(devices)
    piece = found[0] if found else piece_of(session, named[0]) if named else None
    following = next_to_shoot(session, piece.id, 4000) if piece else []
    ahead = tuple(named or [each.code for each in following])[:count]
    return _Place(piece, error, plan_of(session, _number(recipe), "reflow"), ahead, len(following))


@router.get("/log/reflow/{session_id}")
def shots(request: Request, session: Reading, session_id: int, saved: str = "") -> Response:
    """A session's shots so far, and rows for the devices that come next on a piece."""
    query = request.query_params
    count = min(MOST_ROWS, _number(query.get("rows")) or ROWS)
    place = _place(session, query.get("pieces", ""), query.get("recipe"), count, query.get("devices", ""))
    sitting = _sitting(session, session_id)
    context = _context(session, sitting, place, Form(f"/log/reflow/{session_id}"), saved=_number(saved) or 0)
    return page(request, "log/shots.html", context)


def _context(
    session: Reading, sitting: SessionFacts, place: _Place, form: Form, *, saved: int = 0, ahead: Sequence[str] = ()
) -> ShotsContext:
    now = datetime.now(UTC)
    ahead = tuple(ahead or place.ahead)
    planned: Mapping[str, Any] = place.plan.settings if place.plan else {}
    rows, beams = [], []
    for number in range(_row_count(form.typed, ahead)):
        code = ahead[number] if number < len(ahead) else ""
        rows.append(_row(form.typed, number, code, planned))
        values = _values(form.typed, number) or (planned if code else {})
        beams.append(beam_now(session, sitting, values, now) if values.get("dialled") is not None else None)
    query = {"pieces": place.piece.code if place.piece else "", "recipe": str(place.plan.id) if place.plan else ""}
    return ShotsContext(
        sitting=sitting,
        shots=tuple(shots_of(session, sitting)),
        saved=saved,
        piece=place.piece,
        piece_error=place.error,
        versions=version_choices(session, "reflow"),
        plan=place.plan,
        planned_beam=beam_now(session, sitting, planned, now) if planned.get("dialled") is not None else None,
        doubt=dial_doubt(session, sitting, planned.get("dial_unit"), now),
        form=form,
        said=SAID,
        rows=tuple(rows),
        beams=tuple(beams),
        ahead=ahead,
        waiting=place.waiting,
        query=urlencode({name: value for name, value in query.items() if value}),
    )


def _row_count(typed: Typed | None, ahead: Sequence[str]) -> int:
    seen = max((row for row, _ in typed.raw if row is not None), default=-1) + 1 if typed else 0
    return min(MOST_ROWS, max(seen, len(ahead) + BLANK_ROWS))


def _values(typed: Typed | None, number: int) -> Mapping[str, Any]:
    if typed is None or number not in typed.numbers:
        return {}
    return typed.rows[typed.numbers.index(number)]


def _row(typed: Typed | None, number: int, code: str, planned: Mapping[str, Any]) -> tuple[Field, ...]:
    """Device and settings stand as planned; outcome, offsets and notes are never filled in."""
    names = {setting.name for setting in REFLOW.settings if setting.planned}
    mine = typed if typed and any(row == number for row, _ in typed.raw) else None
    fields = []
    for ask in SHOT:
        value = {"device": code or None, "purpose": "reflow" if code else None}.get(ask.name)
        plan = planned.get(ask.name) if ask.name in names and code else None
        fields.append(forms.show(ask, mine, row=number, value=value, planned=plan))
    return tuple(fields)


@router.post("/log/reflow/{session_id}")
def save_shots(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set, session_id: int) -> Response:
    """Save the rows that have an outcome; the page then shows them, with rows for what comes next."""
    sitting = _sitting(session, session_id)
    ahead = tuple(codes_in(str(form.get("ahead", ""))))[:MOST_ROWS]
    place = _place(session, str(form.get("pieces", "")), form.get("recipe"), ROWS)
    head = parse(form, (WHEN, NOTE), set_.zone)
    rows = _with_meaning(parse_rows(form, SHOT, set_.zone), ahead, place.plan)
    typed = head.together(rows)
    done_at, said = read_when_said(form, head, set_.zone)

    def do(writing: Any) -> str:
        data = ShotsIn(
            session_id=session_id,
            piece_id=place.piece.id if place.piece else None,
            recipe_version_id=place.plan.id if place.plan else None,
            rows=tuple(_shot(row) for row in rows.rows),
            done_at=done_at,
            note=head.values["note"],
            confirmed=confirmed(form, rows),
        )
        record_shots(writing, data)
        query = {"pieces": place.piece.code if place.piece else "", "recipe": place.plan.id if place.plan else ""}
        return f"/log/reflow/{session_id}?{urlencode({**query, 'saved': len(rows.rows)})}"

    done = attempt(request, lab, form, typed, "log reflow shots", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    shown = again(form, done, f"/log/reflow/{session_id}", said)
    context = _context(session, sitting, place, shown, ahead=ahead)
    return page(request, "log/shots.html", context, status=done.status)


def _with_meaning(rows: Typed, ahead: Sequence[str], plan: Plan | None) -> Typed:
    """Only rows with an outcome are shots. One that was changed but has none is asked about, never dropped."""
    planned: Mapping[str, Any] = plan.settings if plan else {}
    kept, numbers, errors = [], [], dict(rows.errors)
    for number, each in zip(rows.numbers, rows.rows, strict=True):
        behind = without_unit(rows.raw.get((number, "dialled"), ""))[1]
        row = {**each, "dial_unit": each["dial_unit"] or behind or None}
        if row["outcome"] or (number, "outcome") in errors:
            kept.append(row)
            numbers.append(number)
            if not row["device"]:
                errors[number, "device"] = "Name the device"
        elif _touched(row, ahead[number] if number is not None and number < len(ahead) else "", planned):
            errors[number, "outcome"] = "Say the outcome, or “not looked at yet”"
        else:
            # An untouched row ahead: nothing of it is wrong, and nothing of it is saved.
            errors = {where: words for where, words in errors.items() if where[0] != number}
    if not kept and not errors:
        errors[None, None] = "No row has an outcome yet: choose one in each row that was shot"
    return replace(rows, rows=tuple(kept), numbers=tuple(numbers), errors=errors)


def _touched(row: Mapping[str, Any], ahead: str, planned: Mapping[str, Any]) -> bool:
    if not ahead:
        return any(value not in (None, False) for name, value in row.items() if name != "purpose")
    changed = [name for name in SETTINGS if (row[name] or None) != (planned.get(name) or None)]
    return row["device"] != ahead or bool(changed) or row["note"] is not None or row["purpose"] != "reflow"


def _shot(row: Mapping[str, Any]) -> ShotIn:
    values = {name: row[name] for name in SETTINGS if row[name] not in (None, False)}
    outcome = row["outcome"] if row["outcome"] != OPEN else None
    return ShotIn(
        device=row["device"] or "", purpose=row["purpose"] or "reflow", outcome=outcome, note=row["note"], **values
    )
