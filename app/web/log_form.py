"""What every log form shares: who and when, pieces by their codes, one attempt to save and what is said if it fails."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from fastapi import HTTPException, Request
from pydantic import ValidationError
from sqlalchemy.orm import Session
from starlette.datastructures import FormData

from app.core.quantities import QUANTITIES
from app.core.reading import ReadError, read_quantity
from app.core.refusal import AlreadySavedDifferently, Refusal, Where
from app.core.when import SAYINGS, Instant, read_when
from app.db.session import Database, Writing
from app.queries.codes import PieceRef
from app.queries.log import piece_of, pieces_called, saved_as
from app.queries.records import Record, record_of
from app.web import forms
from app.web.asks import Ask
from app.web.frame import writer
from app.web.typed import Typed

MOST_ROWS = 400
SAID = {each: each[0].upper() + each[1:] for each in SAYINGS}
WHEN = replace(forms.when(required=False, label="Or at"), help="10:42, yesterday 16:30 or 2026-03-12 10:42")
NOTE = forms.text("note", "Note", long=True)
PIECES = forms.text("pieces", "Pieces", required=True, help="One code or several, read or typed.")
PIECE = forms.text("pieces", "Piece", required=True, help="Its code, read or typed.")


@dataclass(frozen=True)
class Form:
    """What the frame of a log form needs; `kept` are the places a person has confirmed so far."""

    action: str
    key: str = ""
    typed: Typed | None = None
    earlier: str = ""
    said: str = "now"
    kept: tuple[str, ...] = ()
    questions: Mapping[Where, str] = field(default_factory=dict)
    """Those that no cell of a grid asks."""
    asks_in_rows: int = 0
    when: forms.Field = field(default_factory=lambda: forms.show(WHEN))
    note: forms.Field = field(default_factory=lambda: forms.show(NOTE))


@dataclass(frozen=True)
class NotSaved:
    """Why nothing was saved, with everything that was typed."""

    typed: Typed
    status: int
    earlier: str = ""
    """Where the record is that this form was saved as before, with other content."""
    refusal: Refusal | None = None
    """What the rule said, where one did."""


def codes_in(text: str) -> list[str]:
    """Codes from what was typed or read one after the other, whatever stands between them."""
    return [code for code in re.split(r"[\s,;]+", text)[:200] if code]


def read_pieces(session: Session, typed: Typed, *, one: bool = False) -> tuple[list[PieceRef], Typed]:
    """The pieces whose codes were typed in the field `pieces`; unknown codes become an error there."""
    text = typed.raw.get((None, "pieces"), "")
    found, unknown = pieces_called(session, codes_in(text))
    words = ""
    if unknown:
        words = f"{', '.join(unknown[:4])}: no piece has {'this code' if len(unknown) == 1 else 'these codes'}"
    elif one and len(found) > 1:
        words = "One piece at a time: this is logged for each by itself"
    elif not found and text.strip():
        words = "Give the code of a piece"
    return found, _with_error(typed, (None, "pieces"), words)


def came_from(session: Session, request: Request) -> tuple[PieceRef | None, list[str]]:
    """The piece and devices a page was opened for, by ?pieces= and ?devices=; a device alone brings its piece."""
    devices = codes_in(request.query_params.get("devices", ""))
    found, _ = pieces_called(session, codes_in(request.query_params.get("pieces", "")))
    piece = found[0] if found else piece_of(session, devices[0]) if devices else None
    return piece, devices


def _with_error(typed: Typed, where: Where, words: str) -> Typed:
    return replace(typed, errors={**typed.errors, where: words}) if words else typed


def read_when_said(form: FormData, typed: Typed, zone: ZoneInfo) -> tuple[datetime | None, str]:
    """(when it was done, which saying is ticked); a typed time goes before what is ticked, None means now."""
    said = form.get("said")
    said = said if isinstance(said, str) and said in SAID else "now"
    at = typed.rows[0].get("done_at") if typed.rows else None
    if at is not None or said == "now":
        return at, said
    read = read_when(said, datetime.now(UTC), zone)
    return (read.at if isinstance(read, Instant) else None), said


def parse(form: FormData, asks: Sequence[Ask], zone: ZoneInfo) -> Typed:
    """One record's worth; questions are left to the deed, which knows the lab's own ranges."""
    return replace(forms.parse_form(form, asks, now=datetime.now(UTC), zone=zone), questions={})


def parse_rows(form: FormData, asks: Sequence[Ask], zone: ZoneInfo, counts: Sequence[str] = ()) -> Typed:
    """Rows of a batch, in the same way."""
    return replace(forms.parse_rows(form, asks, now=datetime.now(UTC), zone=zone, counts=counts), questions={})


def confirmed(form: FormData, typed: Typed) -> frozenset[Where]:
    """Places a person confirmed, with rows numbered as the deed counts them."""
    index = {number: place for place, number in enumerate(typed.numbers) if number is not None}
    return frozenset((None if row is None else index.get(row, -1), at) for row, at in forms.kept_of(form))


def attempt(
    request: Request, lab: Database, form: FormData, typed: Typed, deed: str, do: Callable[[Writing], str]
) -> str | NotSaved:
    """Save once: the address that shows what was saved (the same again for the same form), or why it was not."""
    if not typed.ok:
        return NotSaved(typed, 422)
    try:
        who = writer(request, form)
        key, body = forms.key_of(form), forms.body_of(form)
        with lab.writing(deed, operator_id=who, key=key, body=body) as writing:
            if not writing.answered_before:
                writing.answer = do(writing)
            return str(writing.answer)
    except AlreadySavedDifferently as refusal:
        with lab.reading() as session:
            return NotSaved(typed.refused(refusal), 409, saved_as(session, forms.key_of(form)))
    except Refusal as refusal:
        return NotSaved(typed.refused(refusal), 409, refusal=refusal)
    except ValidationError as malformed:
        return NotSaved(typed.refused(_refusal_of(malformed)), 422)


def _refusal_of(malformed: ValidationError) -> Refusal:
    """What does not fit its column (a line too long), at its row and field."""
    errors: dict[Where, str] = {}
    for each in malformed.errors():
        parts = [part for part in each["loc"] if part != "rows"]
        row = next((part for part in parts if isinstance(part, int)), None)
        name = next((part for part in parts if isinstance(part, str)), None)
        errors[row, name] = each["msg"]
    return Refusal(errors)


def again(form: FormData, done: NotSaved, action: str, said: str) -> Form:
    """The frame of the form as it is shown again: key, person, ticks and questions as they stood.

    A form that was saved before gets a new key: saved again, it is a new record.
    """
    typed, kept = done.typed, forms.kept_of(form)
    questions = typed.open_questions(kept)
    elsewhere = {place: words for place, words in questions.items() if place[0] is None or place not in typed.raw}
    return Form(
        action=action,
        key="" if done.earlier else forms.key_of(form) or "",
        earlier=done.earlier,
        typed=typed,
        said=said,
        kept=tuple(sorted(f"{row}:{at or ''}" if row is not None else at or "" for row, at in kept)),
        questions=elsewhere,
        asks_in_rows=len(questions) - len(elsewhere),
        when=forms.show(WHEN, typed),
        note=forms.show(NOTE, typed),
    )


def device_rows(
    asks: Sequence[Ask], typed: Typed | None, ahead: Sequence[str], blank: int
) -> tuple[tuple[forms.Field, ...], ...]:
    """A row for each device ahead and some empty ones; nothing but the code is filled in."""
    seen = max((row for row, _ in typed.raw if row is not None), default=-1) + 1 if typed else 0
    count = min(MOST_ROWS, max(seen, len(ahead) + blank))
    return tuple(
        tuple(
            forms.show(ask, typed, row=row, value=ahead[row] if ask.name == "device" and row < len(ahead) else None)
            for ask in asks
        )
        for row in range(count)
    )


def only_filled(rows: Typed, ahead: Sequence[str], needed: str = "") -> Typed:
    """Rows in which something stands beside a code that was filled in; `needed` must then stand there too."""
    kept, numbers, errors = [], [], dict(rows.errors)
    for number, row in zip(rows.numbers, rows.rows, strict=True):
        was_ahead = number is not None and number < len(ahead) and row["device"] == ahead[number]
        beside = [name for name in row if name != "device" and (row[name] is not None or (number, name) in errors)]
        if not beside and was_ahead:
            continue
        kept.append(row)
        numbers.append(number)
        if not row["device"]:
            errors[number, "device"] = "Name the device"
        if needed and not row[needed] and (number, needed) not in errors:
            errors[number, needed] = "Give a verdict"
    return replace(rows, rows=tuple(kept), numbers=tuple(numbers), errors=errors)


def posted_ahead(form: FormData) -> tuple[str, ...]:
    """Codes of the devices whose rows were filled in when the form was opened."""
    return tuple(codes_in(str(form.get("ahead", ""))))[:MOST_ROWS]


def read_points(text: str) -> tuple[tuple[float, ...], str]:
    """Thicknesses typed one after the other, each with or without its unit, and what could not be read."""
    values: list[float] = []
    for part in re.findall(r"[^\s;]+(?:\s+(?:nm|µm|um|mm|Å)\b)?", text):
        read = read_quantity(part, QUANTITIES["oxide_um"])
        if isinstance(read, ReadError):
            return (), read.text
        values.append(read.value)
    return tuple(values), ""


def known_record(session: Session, event_id: int) -> Record:
    """The record; a page that says so where there is none."""
    found = record_of(session, event_id) if event_id < 2**31 else None
    if found is None:
        raise HTTPException(404, f"There is no record {event_id}.")
    return found
