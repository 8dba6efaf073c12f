"""Taking a record back and correcting one; with what depends on it, or to another device."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData

from app.actions.corrections_move import move_to_device
from app.actions.log_corrections import correct_event, void_event
from app.core.refusal import ChangedMeanwhile, DependedOn
from app.core.vocab import CORRECTION_REASONS
from app.queries.correctable import correctable, movable, records_of
from app.queries.records import Record
from app.schemas.log import MoveFactsIn
from app.web import forms
from app.web.correcting import REASON, WHY, Asked, Both, asked, both_versions, read, settled
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Field, Typed
from app.web.log_form import Form, NotSaved, again, attempt, codes_in, confirmed, known_record, parse, read_pieces
from app.web.render import page

router = APIRouter()
SHOWN = 40
"""So many records that depend on one are listed; the others are counted."""


@dataclass(frozen=True)
class Dependents:
    """What depends on a record: the first of them whole, how many more, and where they can be moved from."""

    records: tuple[Record, ...] = ()
    more: int = 0
    says: str = ""
    move_query: str = ""


@dataclass(frozen=True)
class VoidContext:
    """Taking one record back: each reason is a button that does it."""

    record: Record
    form: Form
    reasons: tuple[tuple[str, str, str, str], ...]
    reason: Field
    dependents: Dependents


@dataclass(frozen=True)
class CorrectContext:
    """Correcting one record; `both` are the fields in which two people's versions differ."""

    record: Record
    form: Form
    reasons: Mapping[str, str]
    reason: Field
    tap: str
    settings: tuple[Field, ...]
    rows: tuple[tuple[Field, ...], ...]
    row_label: str
    unshown: int
    version: int
    was: str
    both: tuple[Both, ...]
    dependents: Dependents


@dataclass(frozen=True)
class MoveContext:
    """Records of one device that belong to another."""

    device: str
    records: tuple[Record, ...]
    ticked: frozenset[int]
    form: Form
    to: Field
    reasons: Mapping[str, str]
    tap: str
    reason: Field


def _reason(form: FormData, typed: str | None) -> str:
    """What was typed, else the word that was tapped."""
    tap = form.get("tap")
    tapped = CORRECTION_REASONS[tap] if isinstance(tap, str) and tap in CORRECTION_REASONS else ""
    if typed and tapped and tap != "other":
        return f"{tapped}: {typed}"[:200]
    return str(typed or ("" if tap == "other" else tapped))[:200]


def _tap(form: FormData | None) -> str:
    tap = form.get("tap", "") if form is not None else ""
    return tap if isinstance(tap, str) else ""


def _dependents(session: Reading, done: NotSaved | None) -> Dependents:
    refusal = done.refusal if done else None
    if not isinstance(refusal, DependedOn):
        return Dependents()
    ids = refusal.dependents
    query = urlencode({"from": refusal.device, "events": ",".join(map(str, ids[:200]))}) if refusal.device else ""
    return Dependents(records_of(session, ids[:SHOWN]), max(0, len(ids) - SHOWN), str(refusal), query)


# --- taking back -------------------------------------------------------------------------------------------------


def _taking_back(session: Reading, found: Record, form: FormData | None, done: NotSaved | None) -> VoidContext:
    action = f"/log/void/{found.id}"
    shown = again(form, done, action, "now") if form is not None and done is not None else Form(action)
    reasons = tuple((value, words, "", "") for value, words in CORRECTION_REASONS.items())
    reason = forms.show(REASON, done.typed if done else None)
    return VoidContext(found, shown, reasons, reason, _dependents(session, done))


@router.get("/log/void/{event_id}")
def ask_void(request: Request, session: Reading, event_id: int) -> Response:
    """Ask why a record is taken back."""
    return page(request, "log/void.html", _taking_back(session, known_record(session, event_id), None, None))


@router.post("/log/void/{event_id}")
def take_back(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set, event_id: int) -> Response:
    """Take a record back, with what depends on it where that was said."""
    found = known_record(session, event_id)
    typed = parse(form, (REASON,), set_.zone)

    def do(writing: Any) -> str:
        reason = _reason(form, typed.values["reason"])
        void_event(writing, event_id, reason, with_dependents=form.get("also") == "yes")
        return f"/log/record/{event_id}"

    done = attempt(request, lab, form, typed, "take back a record", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    return page(request, "log/void.html", _taking_back(session, found, form, done), status=done.status)


# --- correcting --------------------------------------------------------------------------------------------------


def _correcting(
    session: Reading, found: Record, asks: Asked, form: FormData | None = None, done: NotSaved | None = None
) -> CorrectContext:
    action, typed = f"/log/correct/{found.id}", done.typed if done else None
    both: tuple[Both, ...] = ()
    changed = done is not None and isinstance(done.refusal, ChangedMeanwhile)
    if form is not None and (changed or form.get("choose")):
        both = both_versions(form, asks, anew=changed)
    shown = again(form, done, action, "now") if form is not None and done is not None else Form(action)
    return CorrectContext(
        record=found,
        form=shown,
        reasons=CORRECTION_REASONS,
        reason=forms.show(WHY, typed),
        tap=_tap(form),
        settings=asks.shown(typed),
        rows=asks.shown_rows(typed),
        row_label="Devices named" if asks.facts.is_inspection else asks.facts.row_label,
        unshown=asks.facts.unshown,
        version=found.version,
        was=json.dumps(dict(asks.stood), ensure_ascii=False),
        both=both,
        dependents=_dependents(session, done),
    )


def _why_said(typed: Typed) -> Typed:
    """A rule that wants the reason of the correction is answered in its own field, not in that of an ending."""
    wanted = {
        at: (None, "why") if at == (None, "reason") and words.startswith("Say why") else at
        for at, words in typed.errors.items()
    }
    return replace(typed, errors={wanted[at]: words for at, words in typed.errors.items()})


def _asked(session: Reading, found: Record, zone: ZoneInfo) -> Asked:
    if found.voided:
        raise HTTPException(409, "This record was taken back; it is not corrected any more.")
    return asked(found, correctable(session, found.id, datetime.now(UTC)), zone)


@router.get("/log/correct/{event_id}")
def ask_correct(request: Request, session: Reading, set_: Set, event_id: int) -> Response:
    """A record's fields as they stand, to be changed."""
    found = known_record(session, event_id)
    return page(request, "log/correct.html", _correcting(session, found, _asked(session, found, set_.zone)))


@router.post("/log/correct/{event_id}")
def correct(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set, event_id: int) -> Response:
    """Correct a record; the second of two people is shown both versions and chooses."""
    found = known_record(session, event_id)
    asks = _asked(session, found, set_.zone)
    chosen, unsettled = settled(form, asks)
    sent = read(chosen, asks, unsettled, set_.zone)
    typed, pieces = sent.typed, None
    if "pieces" in sent.changed:
        named, typed = read_pieces(session, typed)
        pieces = tuple(piece.id for piece in named)
    version = form.get("version")

    def do(writing: Any) -> str:
        data = sent.data(
            event_id,
            int(version) if isinstance(version, str) and version.isdecimal() else None,
            [setting for setting, _ in found.fields],
            piece_ids=pieces,
            reason=_reason(form, sent.head.values["why"]) or None,
            confirmed=confirmed(form, typed),
            with_dependents=form.get("also") == "yes",
        )
        correct_event(writing, data)
        return f"/log/record/{event_id}"

    done = attempt(request, lab, form, typed, "correct a record", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    done = replace(done, typed=_why_said(done.typed))
    if form.get("choose"):  # what was typed stays in its field, whichever of the two was chosen
        done = replace(done, typed=replace(done.typed, raw=read(form, asks, (), set_.zone).typed.raw))
    return page(request, "log/correct.html", _correcting(session, found, asks, form, done), status=done.status)


# --- to another device -------------------------------------------------------------------------------------------

FROM = forms.text("from", "Device", required=True)
TO = forms.text("to", "Belongs to", required=True, help="The other device by its code; a site is taken in hand.")


def _numbers(texts: list[str]) -> frozenset[int]:
    return frozenset(int(each) for text in texts for each in codes_in(text) if each.isdecimal() and len(each) < 10)


@router.get("/log/move")
def ask_move(request: Request, session: Reading) -> Response:
    """What is logged for a device, to be ticked, and which device it belongs to."""
    query = request.query_params
    ticked = _numbers(query.getlist("events"))
    return page(request, "log/move.html", _moving(session, query.get("from", ""), ticked, to=query.get("to", "")))


def _moving(
    session: Reading,
    device: str,
    ticked: frozenset[int],
    form: FormData | None = None,
    done: NotSaved | None = None,
    to: str = "",
) -> MoveContext:
    found = movable(session, device)
    if found is None:
        raise HTTPException(404, f"No device is called {device}." if device else "Open this page from a device.")
    typed = done.typed if done else None
    shown = again(form, done, "/log/move", "now") if form is not None and done is not None else Form("/log/move")
    reason = forms.show(REASON, typed)
    to_field = forms.show(TO, typed, value=to or None)
    return MoveContext(found[0], found[1], ticked, shown, to_field, CORRECTION_REASONS, _tap(form), reason)


@router.post("/log/move")
def move(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set) -> Response:
    """Move the ticked records to the other device as one deed."""
    typed = parse(form, (FROM, TO, REASON), set_.zone)
    ticked = _numbers([each for each in form.getlist("event") if isinstance(each, str)])
    reason, errors = _reason(form, typed.values["reason"]), dict(typed.errors)
    if not ticked:
        errors[None, "event"] = "Tick at least one record"
    if not reason:
        errors[None, "reason"] = "Say why they are moved"
    typed = replace(typed, errors=errors)

    def do(writing: Any) -> str:
        data = MoveFactsIn(
            from_device=typed.values["from"],
            to_device=typed.values["to"],
            event_ids=tuple(sorted(ticked)),
            reason=reason,
        )
        moved = move_to_device(writing, data)
        return f"/log/record/{moved[0].id}?also={','.join(str(each.id) for each in moved[1:])}"

    done = attempt(request, lab, form, typed, "move records to another device", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    context = _moving(session, str(form.get("from", "")), ticked, form, done)
    return page(request, "log/move.html", context, status=done.status)
