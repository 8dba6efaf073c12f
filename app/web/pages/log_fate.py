"""Losses: pieces or devices that are gone, several at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.actions.log_fate import record_losses
from app.core.vocab import CAUSES, LOSS_CAUSES, SHORT_STAGES
from app.queries.log import pieces_called
from app.schemas.log import LossesIn, LossIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.forms import Field
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

ROWS = 4
LOST = (
    forms.text("what", "Piece or device"),
    forms.choice("cause", "Cause", LOSS_CAUSES),
    forms.choice("found_at", "Found at", SHORT_STAGES),
    forms.choice("caused_at", "Caused at", CAUSES),
    forms.text("note", "Note"),
)


@dataclass(frozen=True)
class LossContext:
    """What is lost, row by row."""

    form: Form
    said: Mapping[str, str]
    rows: tuple[tuple[Field, ...], ...]
    pieces: tuple[str, ...]
    """Pieces among what is named: their devices go with them."""


@router.get("/log/loss")
def new_losses(request: Request, session: Reading, pieces: str = "", devices: str = "") -> Response:
    """Empty rows, or with the codes one came from."""
    named = [*codes_in(devices), *codes_in(pieces)]
    return page(request, "log/loss.html", _context(session, Form("/log/loss"), named))


def _context(session: Reading, form: Form, named: Sequence[str]) -> LossContext:
    typed = form.typed
    seen = max((row for row, _ in typed.raw if row is not None), default=-1) + 1 if typed else 0
    rows = tuple(
        tuple(
            forms.show(ask, typed, row=row, value=named[row] if ask.name == "what" and row < len(named) else None)
            for ask in LOST
        )
        for row in range(max(seen, len(named) + ROWS))
    )
    found, _ = pieces_called(session, named)
    return LossContext(form, SAID, rows, tuple(piece.code for piece in found))


@router.post("/log/loss")
def save_losses(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set) -> Response:
    """Save the losses, all or none."""
    head = parse(form, (WHEN, NOTE), set_.zone)
    rows = parse_rows(form, LOST, set_.zone)
    errors = dict(rows.errors)
    for number, row in zip(rows.numbers, rows.rows, strict=True):
        for name, words in (("what", "Name the piece or device"), ("cause", "Say the cause of the loss")):
            if not row[name] and (number, name) not in errors:
                errors[number, name] = words
    if not rows.rows and not errors:
        errors[None, None] = "Nothing is named yet: fill in at least one row"
    rows = replace(rows, errors=errors)
    done_at, said = read_when_said(form, head, set_.zone)

    def do(writing: Any) -> str:
        data = LossesIn(
            rows=tuple(LossIn(**row) for row in rows.rows),
            done_at=done_at,
            note=head.values["note"],
            confirmed=confirmed(form, rows),
        )
        first, *others = record_losses(writing, data)
        also = f"&also={','.join(str(each.id) for each in others)}" if others else ""
        return f"/log/record/{first.id}?saved=1{also}"

    done = attempt(request, lab, form, head.together(rows), "log losses", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    named = [row["what"] for row in rows.rows if row["what"]]
    context = _context(session, again(form, done, "/log/loss", said), named)
    return page(request, "log/loss.html", replace(context, rows=context.rows[:60]), status=done.status)
