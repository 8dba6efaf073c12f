"""Forms: what was typed becomes values, errors by (row, field), and words for what was understood.

Inputs are named by their field; in a batch by row as well, `r0-power_w`. Names that begin with an
underscore belong to the form itself: `_key` (one submission, once), `_operator` (whom the form was
opened with), `_keep` (places a person confirmed).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from starlette.datastructures import FormData

from app.core.quantities import QUANTITIES
from app.core.reading import ReadError, read_quantity, unusual
from app.core.refusal import Where
from app.core.when import NoInstant, read_when
from app.web.asks import (
    Ask,
    choice,
    code,
    flag,
    input_name,
    of_setting,
    quantity,
    record,
    several,
    text,
    when,
    without_unit,
)
from app.web.fields import Field, field_text, show
from app.web.typed import Typed

__all__ = [
    "Ask",
    "Field",
    "Typed",
    "body_of",
    "choice",
    "code",
    "field_text",
    "flag",
    "input_name",
    "kept_of",
    "key_of",
    "of_setting",
    "operator_of",
    "parse_form",
    "parse_rows",
    "quantity",
    "record",
    "several",
    "show",
    "text",
    "when",
]

_ROW = re.compile(r"r([0-9]{1,5})-(.+)")
LONGEST = {"text": 300, "long": 10_000, "code": 60}
MOST_ROWS = 1000


def parse_form(form: FormData, asks: Sequence[Ask], *, now: datetime, zone: ZoneInfo) -> Typed:
    """Read one record's worth of `asks` from `form`."""
    reader = _Reader(form, now, zone)
    values = {ask.name: reader.read(ask, None) for ask in asks}
    return reader.typed((values,), (None,))


def parse_rows(
    form: FormData, asks: Sequence[Ask], *, now: datetime, zone: ZoneInfo, counts: Sequence[str] = ()
) -> Typed:
    """Read rows `r0-…`, `r1-…`. A row in which none of `counts` (else of all fields) was filled in is left out."""
    numbers = sorted({int(found[1]) for name in form if (found := _ROW.fullmatch(name))})
    reader = _Reader(form, now, zone)
    if len(numbers) > MOST_ROWS:
        reader.errors[None, None] = f"{len(numbers)} rows are too many at once: send at most {MOST_ROWS}"
        return reader.typed((), ())
    watched = set(counts or [ask.name for ask in asks])
    filled = [n for n in numbers if any(reader.typed_text(ask, n) for ask in asks if ask.name in watched)]
    rows = tuple({ask.name: reader.read(ask, number) for ask in asks} for number in filled)
    return reader.typed(rows, tuple(filled))


def key_of(form: FormData) -> str | None:
    """The submission's key, as the form carried it; None for one that carried none."""
    key = form.get("_key")
    return key if isinstance(key, str) and re.fullmatch(r"[0-9a-zA-Z_-]{8,64}", key) else None


def operator_of(form: FormData) -> int | None:
    """The person the form was opened with."""
    who = form.get("_operator")
    return int(who) if isinstance(who, str) and who.isdecimal() and len(who) < 10 else None


def kept_of(form: FormData) -> frozenset[Where]:
    """Places a person confirmed (`_keep` is `field` or `3:field`)."""
    places: set[Where] = set()
    for item in form.getlist("_keep"):
        if isinstance(item, str) and (found := re.fullmatch(r"(?:([0-9]{1,5}):)?([a-z0-9_]*)", item)):
            places.add((int(found[1]) if found[1] else None, found[2] or None))
    return frozenset(places)


def body_of(form: FormData) -> dict[str, list[str]]:
    """What was sent, for the submission's digest: every field but the form's own; a file by its name and size."""
    body: dict[str, list[str]] = {}
    for name, value in form.multi_items():
        if not name.startswith("_"):
            body.setdefault(name, []).append(value if isinstance(value, str) else f"{value.filename} {value.size}")
    return body


@dataclass
class _Reader:
    form: FormData
    now: datetime
    zone: ZoneInfo
    raw: dict[Where, str] = field(default_factory=dict)
    errors: dict[Where, str] = field(default_factory=dict)
    understood: dict[Where, str] = field(default_factory=dict)
    questions: dict[Where, str] = field(default_factory=dict)

    def typed(self, rows: tuple[Mapping[str, Any], ...], numbers: tuple[int | None, ...]) -> Typed:
        return Typed(self.raw, rows, numbers, self.errors, self.understood, self.questions)

    def typed_text(self, ask: Ask, row: int | None) -> str:
        value = self.form.get(input_name(ask.name, row), "")
        return unicodedata.normalize("NFC", value).strip() if isinstance(value, str) else ""

    def read(self, ask: Ask, row: int | None) -> Any:
        where = (row, ask.name)
        if ask.kind == "several":
            return self._read_several(ask, where)
        typed = self.typed_text(ask, row)
        self.raw[where] = typed
        if ask.kind == "flag":
            return typed != ""
        if not typed:
            if ask.required:
                self.errors[where] = f"{ask.label} is missing"
            return None
        readers = {"quantity": self._read_quantity, "when": self._read_when, "choice": self._read_choice}
        readers |= {
            "id": self._read_choice,
            "code": self._read_text,
            "text": self._read_text,
            "long": self._read_text,
        }
        return readers[ask.kind](ask, where, typed)

    def _read_quantity(self, ask: Ask, where: Where, typed: str) -> float | int | None:
        declared = QUANTITIES[ask.name]
        if ask.unit_field:
            typed, behind = without_unit(typed)
            chosen = self.form.get(input_name(ask.unit_field, where[0]), "")
            if behind and chosen and behind != chosen:
                self.errors[where] = f"{ask.label}: typed in {behind}, but the unit chosen is {chosen}"
                return None
            declared = replace(declared, unit=str(chosen or behind))
        read = read_quantity(typed, declared)
        if isinstance(read, ReadError):
            self.errors[where] = read.text
            return None
        self.understood[where] = read.understood
        if question := unusual(read.value, declared):
            self.questions[where] = question
        return int(read.value) if declared.whole else read.value

    def _read_when(self, ask: Ask, where: Where, typed: str) -> datetime | None:
        read = read_when(typed, self.now, self.zone)
        if isinstance(read, NoInstant):
            self.errors[where] = f"{ask.label}: {read.text}"
            return None
        self.understood[where] = read.understood
        return read.at

    def _read_choice(self, ask: Ask, where: Where, typed: str) -> str | int | None:
        if typed not in ask.choices:
            self.errors[where] = f"{ask.label}: “{typed[:40]}” is not one of the choices"
            return None
        return int(typed) if ask.kind == "id" else typed

    def _read_several(self, ask: Ask, where: Where) -> tuple[str, ...]:
        chosen = [item for item in self.form.getlist(input_name(ask.name, where[0])) if isinstance(item, str) and item]
        self.raw[where] = " ".join(chosen)
        unknown = [item for item in chosen if item not in ask.choices]
        if unknown:
            self.errors[where] = f"{ask.label}: “{unknown[0][:40]}” is not one of the choices"
        elif ask.required and not chosen:
            self.errors[where] = f"{ask.label} is missing"
        return tuple(dict.fromkeys(item for item in chosen if item in ask.choices))

    def _read_text(self, ask: Ask, where: Where, typed: str) -> str | None:
        longest = LONGEST[ask.kind]
        if len(typed) > longest:
            self.errors[where] = f"{ask.label}: {len(typed)} characters, at most {longest} are kept"
            return None
        if any(unicodedata.category(sign) == "Cc" and sign not in "\r\n\t" for sign in typed):
            self.errors[where] = f"{ask.label} holds signs that cannot be printed"
            return None
        return typed.upper() if ask.kind == "code" else typed.replace("\r\n", "\n")
