"""Log: choose pieces, then what was done; the record as it was saved; taking back and correcting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from app.actions.log_corrections import correct_event, void_event
from app.core.step_catalogue import PIECE_STEPS
from app.core.vocab import CORRECTION_REASONS
from app.queries.log import pieces_called, waiting_groups
from app.queries.log_choices import lot_choices
from app.queries.records import Record, record_of
from app.queries.waits import Waiting
from app.schemas.log import CorrectIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Ask, Field
from app.web.log_form import NOTE, Form, NotSaved, again, attempt, codes_in, confirmed, parse
from app.web.render import page

router = APIRouter()

DONE = {f"/log/{name.replace('_', '-')}": step.label for name, step in PIECE_STEPS.items()} | {
    "/log/reflow-session": "Reflow",
    "/log/parting": "Parting",
}
SEEN = {
    "/log/undercut-measurement": "Undercut measurement",
    "/log/oxide-measurement": "Oxide measurement",
    "/log/inspection": "Inspection",
}
FATE = {"/log/loss": "Loss", "/log/whereabouts": "Whereabouts", "/log/ending": "Ending"}
KINDS = (("Done", DONE), ("Seen", SEEN), ("Where it is, or that it is gone", FATE))
"""Which addresses there are: those this server has are offered."""
REASON = forms.text("reason", "In your words")
DONE_AT = forms.when(label="Done at", required=False)


@dataclass(frozen=True)
class LogContext:
    """Choosing pieces and what was done to them."""

    kinds: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]
    groups: tuple[tuple[str, tuple[Waiting, ...]], ...]
    typed: str
    chosen: tuple[str, ...]
    elsewhere: tuple[str, ...]
    """Chosen pieces that are not in the list: nothing is in work on them, but they were named."""
    error: str


@dataclass(frozen=True)
class RecordContext:
    """One record as it stands."""

    record: Record
    saved: bool
    more: tuple[Record, ...]
    next_query: str
    can_correct: bool


@dataclass(frozen=True)
class VoidContext:
    """Taking one record back."""

    record: Record
    form: Form
    reasons: Mapping[str, str]
    reason: Field
    dependents: str


@dataclass(frozen=True)
class CorrectContext:
    """Correcting one record."""

    record: Record
    form: Form
    reasons: Mapping[str, str]
    reason: Field
    tap: str
    settings: tuple[Field, ...]
    version: int


@router.get("/log")
def log(request: Request, session: Reading, pieces: str = "", to: str = "") -> Response:
    """Pieces by code or from the list, then a key for what was done: it leads to that form."""
    ticked = [code for code in request.query_params.getlist("p") if code]
    codes = [*codes_in(pieces), *ticked]
    found, unknown = pieces_called(session, codes)
    error = ""
    if to in _offered(request):
        if unknown:
            error = f"No piece is called {', '.join(unknown[:4])}."
        else:
            query = f"?pieces={quote(','.join(piece.code for piece in found))}" if found else ""
            return RedirectResponse(f"{to}{query}", status_code=303)
    groups = tuple(waiting_groups(session, datetime.now(UTC)))
    offered = _offered(request)
    kinds = tuple((name, tuple((to, words) for to, words in some.items() if to in offered)) for name, some in KINDS)
    chosen = tuple(piece.code for piece in found)
    listed = {each.piece.code for _, some in groups for each in some}
    elsewhere = tuple(code for code in chosen if code not in listed)
    error = error or (f"No piece is called {', '.join(unknown[:4])}." if unknown else "")
    return page(request, "log/log.html", LogContext(kinds, groups, " ".join(unknown), chosen, elsewhere, error))


def _offered(request: Request) -> frozenset[str]:
    paths: frozenset[str] = request.app.state.frame.paths
    return paths


@router.get("/log/record/{event_id}")
def record(request: Request, session: Reading, event_id: int, saved: str = "", also: str = "") -> Response:
    """A record as it stands; after saving, with what comes next."""
    found = _record(session, event_id)
    others = [record_of(session, int(each)) for each in also.split(",")[:60] if each.isdecimal() and len(each) < 10]
    more = tuple(each for each in others if each is not None)
    codes = [code for code, path in found.places if not path.startswith("/devices/")]
    query = f"?{urlencode({'pieces': ','.join(codes)})}" if codes else ""
    return page(request, "log/record.html", RecordContext(found, bool(saved), more, query, bool(found.fields)))


def _record(session: Any, event_id: int) -> Record:
    found = record_of(session, event_id) if event_id < 2**31 else None
    if found is None:
        raise HTTPException(404, f"There is no record {event_id}.")
    return found


@router.get("/log/void/{event_id}")
def ask_void(request: Request, session: Reading, event_id: int) -> Response:
    """Ask why a record is taken back."""
    found = _record(session, event_id)
    context = VoidContext(found, Form(f"/log/void/{event_id}"), CORRECTION_REASONS, forms.show(REASON), "")
    return page(request, "log/void.html", context)


@router.post("/log/void/{event_id}")
def take_back(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set, event_id: int) -> Response:
    """Take a record back, with what depends on it where that was said."""
    found = _record(session, event_id)
    typed = parse(form, (REASON,), set_.zone)
    reason = _reason(form, typed.values)
    also = form.get("also") == "yes"

    def do(writing: Any) -> str:
        void_event(writing, event_id, reason, with_dependents=also)
        return f"/log/record/{event_id}"

    done = attempt(request, lab, form, typed, "take back a record", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    dependents = done.typed.errors.get((None, "with_dependents"), "")
    shown = again(form, done, f"/log/void/{event_id}", "now")
    context = VoidContext(found, shown, CORRECTION_REASONS, forms.show(REASON, done.typed), dependents)
    return page(request, "log/void.html", context, status=done.status)


def _reason(form: Posted, values: Mapping[str, Any]) -> str:
    """What was typed, else the word that was tapped."""
    tap = form.get("tap")
    tapped = CORRECTION_REASONS[tap] if isinstance(tap, str) and tap in CORRECTION_REASONS else ""
    if values["reason"] and tapped and tap != "other":
        return f"{tapped}: {values['reason']}"[:200]
    return str(values["reason"] or ("" if tap == "other" else tapped))[:200]


def _asks(session: Any, found: Record) -> tuple[Ask, ...]:
    lots = lot_choices(session, datetime.now(UTC))
    return tuple(forms.of_setting(setting, lots=lots.get(setting.lot_kind)) for setting, _ in found.fields)


def _correcting(session: Any, found: Record, form: Posted | None, done: NotSaved | None) -> CorrectContext:
    action = f"/log/correct/{found.id}"
    typed = done.typed if done else None
    values = {setting.name: value for setting, value in found.fields}
    fields = [forms.show(ask, typed, value=values[ask.name]) for ask in _asks(session, found)]
    fields.append(forms.show(DONE_AT, typed))
    fields.append(forms.show(NOTE, typed, value=found.note or None))
    shown = again(form, done, action, "now") if form is not None and done is not None else Form(action)
    tap = form.get("tap", "") if form is not None else ""
    return CorrectContext(
        record=found,
        form=shown,
        reasons=CORRECTION_REASONS,
        reason=forms.show(REASON, typed),
        tap=tap if isinstance(tap, str) else "",
        settings=tuple(fields),
        version=found.version,
    )


@router.get("/log/correct/{event_id}")
def ask_correct(request: Request, session: Reading, event_id: int) -> Response:
    """A record's fields as they stand, to be changed."""
    found = _record(session, event_id)
    if found.voided:
        raise HTTPException(409, "This record was taken back; it is not corrected any more.")
    return page(request, "log/correct.html", _correcting(session, found, None, None))


@router.post("/log/correct/{event_id}")
def correct(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set, event_id: int) -> Response:
    """Correct a record; the second of two people is shown both versions."""
    found = _record(session, event_id)
    asks = _asks(session, found)
    typed = parse(form, (*asks, DONE_AT, NOTE, REASON), set_.zone)
    version = form.get("version")
    flags = {ask.name for ask in asks if ask.kind == "flag"}
    stood = {setting.name: value for setting, value in found.fields}

    def do(writing: Any) -> str:
        changes = {ask.name: typed.values[ask.name] for ask in asks}
        # An empty box says no only where yes stood before: a flag that was never asked about stays open.
        changes = {n: v for n, v in changes.items() if not (n in flags and v is False and stood[n] is None)}
        data = CorrectIn(
            event_id=event_id,
            version=int(version) if isinstance(version, str) and version.isdecimal() else None,
            changes=changes,
            done_at=typed.values["done_at"],
            note=typed.values["note"] or "",
            reason=_reason(form, typed.values) or None,
            confirmed=confirmed(form, typed),
        )
        correct_event(writing, data)
        return f"/log/record/{event_id}"

    done = attempt(request, lab, form, typed, "correct a record", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    return page(request, "log/correct.html", _correcting(session, found, form, done), status=done.status)
