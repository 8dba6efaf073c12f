"""What was measured: disc and pillar of devices, oxide thickness of a piece."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.actions.log_seen import record_oxide_measurement, record_undercut_measurements
from app.queries.codes import PieceRef
from app.queries.log_choices import tool_choices
from app.queries.log_seen import MeasuredRow, measured_on
from app.queries.log_sessions import next_to_measure
from app.schemas.log import MeasurementIn, MeasurementsIn, OxideIn
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
    read_points,
    read_when_said,
)
from app.web.render import page

router = APIRouter()

BLANK_ROWS, AHEAD = 4, 12
METHOD = forms.text("method", "Method")
METHODS = ("microscope", "SEM", "profilometer", "ellipsometer", "reflectometer", "colour chart")
SIZES = ("disc_um", "pillar_top_x_um", "pillar_top_y_um", "pillar_offset_um", "rim_to_pillar_um")
MEASURED = (
    forms.text("device", "Device"),
    *[forms.quantity(name) for name in SIZES],
    forms.text("note", "Note"),
)
POINTS = forms.text(
    "points_um", "Thickness at each point", required=True, help="In µm, or with nm behind each: 2.01 1,98 2030 nm"
)


@dataclass(frozen=True)
class MeasureContext:
    """Measuring discs and pillars of one piece."""

    piece: PieceRef | None
    piece_field: Field
    method: Field
    tool: Field
    form: Form
    said: Mapping[str, str]
    rows: tuple[tuple[Field, ...], ...]
    ahead: tuple[str, ...]
    measured: tuple[MeasuredRow, ...]
    saved: int


@dataclass(frozen=True)
class OxideContext:
    """Measuring the oxide of one piece."""

    piece: PieceRef | None
    asked: tuple[Field, ...]
    form: Form
    said: Mapping[str, str]


def _microscope(session: Reading) -> Ask:
    return forms.record("tool_id", "Tool", tool_choices(session, ("microscope", "other")))


# --- undercut measurements ---------------------------------------------------------------------------------------


@router.get("/log/undercut-measurement")
def new_measurements(request: Request, session: Reading, saved: str = "") -> Response:
    """Rows for the devices of a piece that were not measured yet."""
    piece, ahead = came_from(session, request)
    if piece and not ahead:
        ahead = [each.code for each in next_to_measure(session, piece.id, AHEAD)]
    count = int(saved) if saved.isdecimal() and len(saved) < 6 else 0
    context = _measuring(session, piece, Form("/log/undercut-measurement"), ahead, count)
    return page(request, "log/measure.html", context)


def _measuring(
    session: Reading, piece: PieceRef | None, form: Form, ahead: Sequence[str], saved: int = 0
) -> MeasureContext:
    return MeasureContext(
        piece=piece,
        piece_field=forms.show(PIECE, form.typed, value=piece.code if piece else None),
        method=forms.show(METHOD, form.typed, suggestions=METHODS),
        tool=forms.show(_microscope(session), form.typed),
        form=form,
        said=SAID,
        rows=device_rows(MEASURED, form.typed, ahead, BLANK_ROWS),
        ahead=tuple(ahead),
        measured=tuple(measured_on(session, piece.id)) if piece else (),
        saved=saved,
    )


@router.post("/log/undercut-measurement")
def save_measurements(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set) -> Response:
    """Save the rows in which something was measured."""
    head = parse(form, (PIECE, METHOD, _microscope(session), WHEN, NOTE), set_.zone)
    pieces, head = read_pieces(session, head, one=True)
    ahead = posted_ahead(form)
    rows = only_filled(parse_rows(form, MEASURED, set_.zone), ahead)
    if not rows.rows and not rows.errors:
        rows = replace(rows, errors={(None, None): "Nothing was measured yet: fill in at least one row"})
    done_at, said = read_when_said(form, head, set_.zone)

    def do(writing: Any) -> str:
        data = MeasurementsIn(
            piece_id=pieces[0].id,
            method=head.values["method"],
            tool_id=head.values["tool_id"],
            note=head.values["note"],
            done_at=done_at,
            rows=tuple(MeasurementIn(**row) for row in rows.rows),
            confirmed=confirmed(form, rows),
        )
        record_undercut_measurements(writing, data)
        return f"/log/undercut-measurement?{urlencode({'pieces': pieces[0].code, 'saved': len(rows.rows)})}"

    done = attempt(request, lab, form, head.together(rows), "log undercut measurements", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    shown = again(form, done, "/log/undercut-measurement", said)
    context = _measuring(session, pieces[0] if pieces else None, shown, ahead)
    return page(request, "log/measure.html", context, status=done.status)


# --- oxide thickness ---------------------------------------------------------------------------------------------


def _oxide_asks(session: Reading) -> tuple[Ask, ...]:
    return PIECE, POINTS, METHOD, forms.record("tool_id", "Tool", tool_choices(session, ("microscope", "other")))


def _oxide(session: Reading, piece: PieceRef | None, form: Form) -> OxideContext:
    values = {"pieces": piece.code if piece else None}
    asked = tuple(
        forms.show(ask, form.typed, value=values.get(ask.name), suggestions=METHODS if ask is METHOD else ())
        for ask in _oxide_asks(session)
    )
    return OxideContext(piece, asked, form, SAID)


@router.get("/log/oxide-measurement")
def new_oxide(request: Request, session: Reading) -> Response:
    """An empty form for one piece."""
    piece, _ = came_from(session, request)
    return page(request, "log/oxide.html", _oxide(session, piece, Form("/log/oxide-measurement")))


@router.post("/log/oxide-measurement")
def save_oxide(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set) -> Response:
    """Save thickness at n points."""
    typed = parse(form, (*_oxide_asks(session), WHEN, NOTE), set_.zone)
    pieces, typed = read_pieces(session, typed, one=True)
    points, wrong = read_points(typed.values["points_um"] or "")
    if wrong:
        typed = replace(typed, errors={**typed.errors, (None, "points_um"): wrong})
    done_at, said = read_when_said(form, typed, set_.zone)

    def do(writing: Any) -> str:
        data = OxideIn(
            piece_id=pieces[0].id,
            points_um=points,
            method=typed.values["method"],
            tool_id=typed.values["tool_id"],
            note=typed.values["note"],
            done_at=done_at,
            confirmed=confirmed(form, typed),
        )
        return f"/log/record/{record_oxide_measurement(writing, data).id}?saved=1"

    done = attempt(request, lab, form, typed, "log oxide thickness", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    shown = again(form, done, "/log/oxide-measurement", said)
    context = _oxide(session, pieces[0] if pieces else None, shown)
    return page(request, "log/oxide.html", context, status=done.status)
