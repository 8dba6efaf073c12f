"""Inspections: all devices of a piece with exceptions named, k of n seen, or only those named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.actions.log_inspections import record_inspection
from app.core.vocab import CAUSES, DEFECT_CAUSES, SHORT_STAGES, STAGES, VERDICTS
from app.queries.codes import PieceRef
from app.queries.log import last_stage_done
from app.queries.log_choices import tool_choices
from app.queries.log_sessions import devices_on
from app.schemas.log import DefectIn, FindingIn, InspectionIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Ask, Field
from app.web.log_form import (
    NOTE,
    PIECE,
    SAID,
    WHEN,
    Form,
    again,
    attempt,
    came_from,
    confirmed,
    device_rows,
    only_filled,
    parse,
    parse_rows,
    posted_ahead,
    read_pieces,
    read_when_said,
)
from app.web.render import page

router = APIRouter()

BLANK_ROWS, MOST_ROWS = 6, 400
DEFECTS = {
    kind: f"{words}, {CAUSES[cause].lower()}" for cause, kinds in DEFECT_CAUSES.items() for kind, words in kinds.items()
}
FOUND = (
    forms.text("device", "Device"),
    forms.choice("verdict", "Verdict", VERDICTS),
    forms.choice("defect", "Defect", DEFECTS),
    forms.choice("second_defect", "Second defect", DEFECTS),
    forms.choice("caused_at", "Caused at, if elsewhere", CAUSES),
    forms.quantity("outer_um"),
    forms.quantity("minor_um"),
    forms.quantity("roundness_um"),
    forms.text("note", "Note"),
)
COVERS = {"all": "All seen, exceptions named", "sample": "k of n seen", "devices": "Only those named"}
COUNTS = (
    forms.text("seen_n", "Seen, k", help="Only for k of n."),
    forms.text("of_n", "Of, n"),
    forms.choice("rest", "The rest is", {"good": "Good", "usable": "Usable"}, help="Only for all seen."),
)
METHOD = forms.text("method", "Method")
METHODS = ("microscope, dark field", "microscope, bright field", "SEM", "camera at the laser")
REINSTATES = forms.text(
    "reinstates", "Why a reject counts again", help="Only where one rejected at this stage is named as good or usable."
)


@dataclass(frozen=True)
class InspectContext:
    """Looking at the devices of one piece."""

    piece: PieceRef | None
    piece_field: Field
    stages: Mapping[str, str]
    stage: str
    covers: Mapping[str, str]
    cover: str
    counts: tuple[Field, ...]
    more: tuple[Field, ...]
    form: Form
    said: Mapping[str, str]
    rows: tuple[tuple[Field, ...], ...]
    in_hand: int
    each: bool
    ahead: tuple[str, ...]


def _tool(session: Reading) -> Ask:
    return forms.record("tool_id", "Microscope", tool_choices(session, ("microscope", "other")))


def _stages(piece: PieceRef | None) -> dict[str, str]:
    kinds = ["microsphere" if piece.kind == "fibre_batch" else "microtoroid"] if piece else list(STAGES)
    return {stage: SHORT_STAGES[stage] for kind in kinds for stage in STAGES[kind]}


@router.get("/log/inspection")
def new_inspection(request: Request, session: Reading) -> Response:
    """A form for one piece: empty rows for exceptions, or with ?each=1 a row for each of its devices."""
    query = request.query_params
    piece, ahead = came_from(session, request)
    each = query.get("each") == "1"
    if piece and each and not ahead:
        ahead = [device.code for device in devices_on(session, piece.id)][:MOST_ROWS]
    cover = "devices" if ahead else "all"
    stage = query.get("stage") or (last_stage_done(session, piece) if piece else "")
    return page(request, "log/inspect.html", _context(session, piece, Form("/log/inspection"), ahead, stage, cover))


def _context(
    session: Reading, piece: PieceRef | None, form: Form, ahead: Sequence[str], stage: str, cover: str
) -> InspectContext:
    typed = form.typed
    return InspectContext(
        piece=piece,
        piece_field=forms.show(PIECE, typed, value=piece.code if piece else None),
        stages=_stages(piece),
        stage=stage,
        covers=COVERS,
        cover=cover,
        counts=tuple(forms.show(ask, typed, value="good" if ask.name == "rest" else None) for ask in COUNTS),
        more=(
            forms.show(_tool(session), typed),
            forms.show(METHOD, typed, suggestions=METHODS),
            forms.show(REINSTATES, typed),
        ),
        form=form,
        said=SAID,
        rows=device_rows(FOUND, typed, ahead, BLANK_ROWS),
        in_hand=len(devices_on(session, piece.id)) if piece else 0,
        each=bool(ahead),
        ahead=tuple(ahead),
    )


@router.post("/log/inspection")
def save_inspection(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set) -> Response:
    """Save what was seen; rows that only hold a code that was filled in say nothing."""
    head = parse(form, (PIECE, *COUNTS, _tool(session), METHOD, REINSTATES, WHEN, NOTE), set_.zone)
    pieces, head = read_pieces(session, head, one=True)
    ahead = posted_ahead(form)
    rows = only_filled(parse_rows(form, FOUND, set_.zone), ahead, needed="verdict")
    stage, cover = str(form.get("stage", "")), str(form.get("cover", ""))
    errors = dict(head.errors)
    if stage not in SHORT_STAGES:
        errors[None, "stage"] = "Say at which stage"
    if cover not in COVERS:
        errors[None, "cover"] = "Say how much was seen"
    numbers = {name: _whole(head.values[name]) for name in ("seen_n", "of_n")}
    for name, value in numbers.items():
        if value is None and head.values[name]:
            errors[None, name] = f"“{head.values[name][:20]}” is not a whole number"
    head = replace(head, errors=errors)
    done_at, said = read_when_said(form, head, set_.zone)

    def do(writing: Any) -> str:
        data = InspectionIn(
            stage=stage,
            cover=cover,
            piece_id=pieces[0].id,
            rows=tuple(_finding(row) for row in rows.rows),
            rest=head.values["rest"] or "good",
            seen_n=numbers["seen_n"],
            of_n=numbers["of_n"],
            method=head.values["method"],
            tool_id=head.values["tool_id"],
            reinstates=head.values["reinstates"],
            note=head.values["note"],
            done_at=done_at,
            confirmed=confirmed(form, rows),
        )
        return f"/log/record/{record_inspection(writing, data).id}?saved=1"

    done = attempt(request, lab, form, head.together(rows), "log an inspection", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    shown = again(form, done, "/log/inspection", said)
    context = _context(session, pieces[0] if pieces else None, shown, ahead, stage, cover)
    return page(request, "log/inspect.html", context, status=done.status)


def _whole(text: str | None) -> int | None:
    return int(text) if text and text.isdecimal() and len(text) < 7 else None


def _finding(row: Mapping[str, Any]) -> FindingIn:
    """Where it was caused is said of the first defect; the second keeps the step that usually causes it."""
    defects = [DefectIn(kind=row["defect"], caused_at=row["caused_at"])] if row["defect"] else []
    if row["second_defect"] and row["second_defect"] != row["defect"]:
        defects.append(DefectIn(kind=row["second_defect"]))
    return FindingIn(
        device=row["device"],
        verdict=row["verdict"],
        defects=tuple(defects),
        outer_um=row["outer_um"],
        minor_um=row["minor_um"],
        roundness_um=row["roundness_um"],
        note=row["note"],
    )
