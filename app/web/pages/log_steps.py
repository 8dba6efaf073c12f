"""Steps done to pieces: one form for every kind, made from its declaration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.actions.log_steps import record_step
from app.core.step import Setting, StepKind
from app.core.step_catalogue import PIECE_STEPS
from app.queries.codes import PieceRef
from app.queries.log import forgotten_before, pieces_called
from app.queries.log_choices import (
    LastRun,
    Plan,
    array_choices,
    last_run,
    lot_choices,
    plan_of,
    tool_choices,
    version_choices,
)
from app.schemas.log import StepIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.fields import field_text
from app.web.forms import Ask, Field, Typed
from app.web.log_form import (
    NOTE,
    PIECES,
    SAID,
    WHEN,
    Form,
    again,
    attempt,
    codes_in,
    confirmed,
    parse,
    parse_rows,
    read_pieces,
    read_when_said,
)
from app.web.render import page

router = APIRouter()

BLANK_ROWS = 2
"""Empty rows offered after those the recipe plans."""
MOST_ROWS = 60


@dataclass(frozen=True)
class StepContext:
    """The form of one step kind."""

    step: StepKind
    slug: str
    pieces: tuple[PieceRef, ...]
    pieces_field: Field
    versions: Mapping[str, str]
    plan: Plan | None
    last: LastRun | None
    last_lines: tuple[tuple[str, str], ...]
    form: Form
    said: Mapping[str, str]
    settings: tuple[Field, ...]
    readings: tuple[Field, ...]
    rows: tuple[tuple[Field, ...], ...]
    tool: Field
    arrays: Field | None
    forgotten: Field | None


@dataclass(frozen=True)
class _Asked:
    """Everything the form asks for, and what its answers are set against."""

    step: StepKind
    plan: Plan | None
    settings: tuple[Ask, ...]
    rows: tuple[Ask, ...]
    tool: Ask
    arrays: Ask | None
    forgotten: Ask | None

    @property
    def head(self) -> tuple[Ask, ...]:
        """All but the rows."""
        return (PIECES, *self.settings, self.tool, *filter(None, (self.arrays, self.forgotten)), WHEN, NOTE)


def slug_of(step: StepKind) -> str:
    """The step's address under /log."""
    return step.name.replace("_", "-")


def _asked(session: Reading, step: StepKind, plan: Plan | None, piece_ids: Sequence[int]) -> _Asked:
    lots = lot_choices(session, datetime.now(UTC))
    asks = tuple(forms.of_setting(each, lots=lots.get(each.lot_kind)) for each in step.settings)
    rows = tuple(forms.of_setting(each) for each in step.rows.settings) if step.rows else ()
    arrays = None
    if step.name == "lithography":
        arrays = forms.several("array_ids", "Mask arrays exposed", array_choices(session))
    lacking = dict(forgotten_before(session, step.name, piece_ids))
    forgotten = (
        forms.several("forgotten", "Done before, but never logged", lacking, help="Goes in with it, details unknown.")
        if lacking
        else None
    )
    tool = forms.record("tool_id", "Tool", tool_choices(session, step.tool_kinds))
    return _Asked(step, plan, asks, rows, tool, arrays, forgotten)


def _number(text: Any) -> int | None:
    return int(text) if isinstance(text, str) and text.isdecimal() and len(text) < 10 else None


def _show(session: Reading, step: StepKind, asked: _Asked, pieces: Sequence[PieceRef], form: Form) -> StepContext:
    typed, plan = form.typed, asked.plan
    planned: Mapping[str, Any] = plan.settings if plan else {}
    last = last_run(session, step)
    told = [(step.setting(name).words, words) for name, words in last.values.items()] if last else []
    told += [("", row) for row in last.rows] if last else []
    fields = {
        ask.name: _field(ask, setting, typed, planned)
        for ask, setting in zip(asked.settings, step.settings, strict=True)
    }
    readings = {setting.name for setting in step.settings if not setting.planned}
    return StepContext(
        step=step,
        slug=slug_of(step),
        pieces=tuple(pieces),
        pieces_field=forms.show(PIECES, typed, value=", ".join(piece.code for piece in pieces)),
        versions=version_choices(session, step.name),
        plan=plan,
        last=last,
        last_lines=tuple(told),
        form=form,
        said=SAID,
        settings=tuple(field for name, field in fields.items() if name not in readings),
        readings=tuple(field for name, field in fields.items() if name in readings),
        rows=_rows(asked, typed),
        tool=forms.show(asked.tool, typed, value=_only(asked.tool)),
        arrays=forms.show(asked.arrays, typed) if asked.arrays else None,
        forgotten=forms.show(asked.forgotten, typed) if asked.forgotten else None,
    )


def _only(ask: Ask) -> str | None:
    """The one tool there is to choose, where there is but one."""
    return next(iter(ask.choices)) if len(ask.choices) == 1 else None


def _field(ask: Ask, setting: Setting, typed: Typed | None, planned: Mapping[str, Any]) -> Field:
    """Settings stand as the recipe plans them; what is read while doing it stays empty."""
    return forms.show(ask, typed, planned=planned.get(setting.name) if setting.planned else None)


def _rows(asked: _Asked, typed: Typed | None) -> tuple[tuple[Field, ...], ...]:
    if asked.step.rows is None:
        return ()
    planned = list(asked.plan.rows(asked.step.rows.name)) if asked.plan else []
    seen = [row for row, _ in typed.raw if row is not None] if typed else []
    count = min(MOST_ROWS, max(len(planned), max(seen, default=-1) + 1) + BLANK_ROWS)
    result = []
    for number in range(count):
        plan = planned[number] if number < len(planned) else {}
        show_typed = typed if typed and any(row == number for row, _ in typed.raw) else None
        blank = typed is not None and show_typed is None
        result.append(
            tuple(
                forms.show(ask, show_typed, row=number, planned=None if blank else plan.get(ask.name))
                for ask in asked.rows
            )
        )
    return tuple(result)


def _get(request: Request, session: Reading, step: StepKind) -> Response:
    query = request.query_params
    pieces, _ = pieces_called(session, codes_in(query.get("pieces", "")))
    plan = plan_of(session, _number(query.get("recipe")), step.name)
    asked = _asked(session, step, plan, [piece.id for piece in pieces])
    context = _show(session, step, asked, pieces, Form(f"/log/{slug_of(step)}"))
    return page(request, "log/step.html", context)


def _post(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set, step: StepKind) -> Response:
    plan = plan_of(session, _number(form.get("recipe")), step.name)
    pieces, _ = pieces_called(session, codes_in(str(form.get("pieces", ""))))
    asked = _asked(session, step, plan, [piece.id for piece in pieces])
    head = parse(form, asked.head, set_.zone)
    pieces, head = read_pieces(session, head)
    rows = parse_rows(form, asked.rows, set_.zone) if step.rows else Typed({}, (), ())
    typed = head.together(rows)
    done_at, said = read_when_said(form, head, set_.zone)

    def do(writing: Any) -> str:
        data = _data(form, asked, head, rows, [piece.id for piece in pieces])
        event = record_step(writing, data.model_copy(update={"done_at": done_at, "confirmed": confirmed(form, rows)}))
        return f"/log/record/{event.id}?saved=1"

    done = attempt(request, lab, form, typed, f"log {step.label.lower()}", do)
    if isinstance(done, str):
        return RedirectResponse(done, status_code=303)
    shown = again(form, done, f"/log/{slug_of(step)}", said)
    return page(request, "log/step.html", _show(session, step, asked, pieces, shown), status=done.status)


def _data(form: Posted, asked: _Asked, head: Typed, rows: Typed, piece_ids: Sequence[int]) -> StepIn:
    """What is saved. `Details unknown` leaves out what stood there from the recipe; what was typed is never dropped."""
    unknown = form.get("unknown") == "yes"
    planned: Mapping[str, Any] = asked.plan.settings if asked.plan else {}
    values = {ask.name: head.values[ask.name] for ask in asked.settings}
    lines = [{name: value for name, value in row.items() if value is not None} for row in rows.rows]
    if unknown:
        by_name = {ask.name: ask for ask in asked.settings}
        values = {
            n: v for n, v in values.items() if field_text(by_name[n], v) != field_text(by_name[n], planned.get(n))
        }
        name = asked.step.rows.name if asked.step.rows else ""
        lines = [] if lines == [dict(row) for row in planned.get(name) or ()] else lines
    return StepIn(
        kind=asked.step.name,
        piece_ids=tuple(piece_ids),
        tool_id=head.values["tool_id"],
        recipe_version_id=asked.plan.id if asked.plan else None,
        settings=values,
        rows=tuple(lines),
        array_ids=tuple(int(each) for each in head.values.get("array_ids") or ()),
        forgotten=tuple(head.values.get("forgotten") or ()),
        unknown=unknown,
        note=head.values["note"],
    )


def _add_routes(step: StepKind) -> None:
    """One pair of addresses a step kind, so that a new kind has its page by being declared."""

    def show(request: Request, session: Reading) -> Response:
        return _get(request, session, step)

    def save(request: Request, form: Posted, lab: Lab, session: Reading, set_: Set) -> Response:
        return _post(request, form, lab, session, set_, step)

    path = f"/log/{slug_of(step)}"
    router.add_api_route(path, show, methods=["GET"], name=f"log_{step.name}", response_class=Response)
    router.add_api_route(path, save, methods=["POST"], name=f"save_{step.name}", response_class=Response)


for _step in PIECE_STEPS.values():
    _add_routes(_step)
