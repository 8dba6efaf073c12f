"""Forms: what was typed becomes values, errors by (row, field), and words for what was understood.

Inputs are named by their field; in a batch by row as well, `r0-power_w`. Names that begin with an
underscore belong to the form itself: `_key` (one submission, once), `_operator` (whom the form was
opened with), `_keep` (places a person confirmed).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from starlette.datastructures import FormData

from app.core.quantities import QUANTITIES, Quantity
from app.core.reading import ReadError, read_quantity, unusual, value_text
from app.core.refusal import Refusal, Where
from app.core.step import Setting
from app.core.vocab import DIAL_UNITS, Words
from app.core.when import NoInstant, read_when

Kind = Literal["quantity", "choice", "several", "text", "long", "flag", "id", "when", "code"]
_ROW = re.compile(r"r([0-9]{1,5})-(.+)")
LONGEST = {"text": 300, "long": 10_000, "code": 60}
MOST_ROWS = 1000


@dataclass(frozen=True)
class Ask:
    """One thing a form asks for."""

    name: str
    kind: Kind
    label: str
    required: bool = False
    choices: Words = field(default_factory=dict)
    help: str = ""
    unit_field: str = ""
    """The field that names this one's unit, where it is no fixed one (what a laser's dial shows)."""

    @property
    def quantity(self) -> Quantity | None:
        """The declaration, where a quantity is asked for."""
        return QUANTITIES[self.name] if self.kind == "quantity" else None


def quantity(name: str, *, required: bool = False, help: str = "") -> Ask:  # noqa: A002
    """A declared quantity; label, unit and limits are its own."""
    declared = QUANTITIES[name]
    return Ask(name, "quantity", declared.label, required, help=help or declared.help)


def choice(name: str, label: str, choices: Words, *, required: bool = False, help: str = "") -> Ask:  # noqa: A002
    """One of a few words; stored value first, shown word second."""
    return Ask(name, "choice", label, required, choices, help)


def several(name: str, label: str, choices: Words, *, required: bool = False, help: str = "") -> Ask:  # noqa: A002
    """Any number of a few; the value is a tuple."""
    return Ask(name, "several", label, required, choices, help)


def text(name: str, label: str, *, required: bool = False, long: bool = False, help: str = "") -> Ask:  # noqa: A002
    """Free text, one line or several."""
    return Ask(name, "long" if long else "text", label, required, help=help)


def code(name: str, label: str, *, required: bool = False, help: str = "") -> Ask:  # noqa: A002
    """A code, typed or read; surrounding spaces go, letters become capitals."""
    return Ask(name, "code", label, required, help=help)


def flag(name: str, label: str) -> Ask:
    """Yes or no; a box not ticked is no."""
    return Ask(name, "flag", label)


def record(name: str, label: str, choices: Words, *, required: bool = False, help: str = "") -> Ask:  # noqa: A002
    """A record by its id, from a list; keys of `choices` are ids as text, the value is an int."""
    return Ask(name, "id", label, required, choices, help)


def when(name: str = "done_at", label: str = "When", *, required: bool = True) -> Ask:
    """An instant in the lab's zone; the value is in UTC."""
    return Ask(name, "when", label, required, help="now, 20 min ago, this morning, 10:42, 2026-03-12 10:42")


def of_setting(setting: Setting, *, lots: Words | None = None, required: bool = False) -> Ask:
    """What a step's setting asks for; `lots` are the lots to choose from, ids as text."""
    if setting.kind == "quantity":
        asked = quantity(setting.name, required=required)
        return replace(asked, unit_field="dial_unit") if setting.name == "dialled" else asked
    kinds: dict[str, Kind] = {"choice": "choice", "text": "text", "flag": "flag", "lot": "id"}
    choices = (lots or {}) if setting.kind == "lot" else setting.choices
    return Ask(setting.name, kinds[setting.kind], setting.words, required, choices)


@dataclass(frozen=True)
class Typed:
    """What came in. `raw` as typed, `values` what it means (None where blank), the rest in words, by (row, field)."""

    raw: Mapping[Where, str]
    rows: tuple[Mapping[str, Any], ...]
    numbers: tuple[int | None, ...] = (None,)
    """The row number of each of `rows` on the form; None on a form without rows."""
    errors: Mapping[Where, str] = field(default_factory=dict)
    understood: Mapping[Where, str] = field(default_factory=dict)
    questions: Mapping[Where, str] = field(default_factory=dict)

    @property
    def values(self) -> Mapping[str, Any]:
        """The values of a form without rows."""
        return self.rows[0]

    @property
    def ok(self) -> bool:
        """Whether everything could be read."""
        return not self.errors

    def open_questions(self, keep: Iterable[Where]) -> dict[Where, str]:
        """Unusual values nobody has confirmed yet."""
        kept = set(keep)
        return {where: words for where, words in self.questions.items() if where not in kept}

    def refused(self, refusal: Refusal) -> Typed:
        """The same with what a rule said, to show the form again."""
        numbered = {
            (self.numbers[row] if row is not None and row < len(self.numbers) else row, at): words
            for (row, at), words in refusal.errors.items()
        }
        asked = {
            (self.numbers[row] if row is not None and row < len(self.numbers) else row, at): words
            for (row, at), words in refusal.confirmable.items()
        }
        return replace(self, errors={**self.errors, **numbered}, questions={**self.questions, **asked})

    def together(self, other: Typed) -> Typed:
        """Head and rows of one form as one, for showing it again; `rows` stay those of `other`."""
        return Typed(
            {**self.raw, **other.raw},
            other.rows,
            other.numbers,
            {**self.errors, **other.errors},
            {**self.understood, **other.understood},
            {**self.questions, **other.questions},
        )


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


def input_name(name: str, row: int | None = None) -> str:
    """The name of an input for a field, in a batch of a row."""
    return name if row is None else f"r{row}-{name}"


def _without_unit(typed: str) -> tuple[str, str]:
    """A number and the unit typed behind it, if that is one a laser's dial has."""
    for unit in DIAL_UNITS:
        if typed.upper().endswith(unit):
            return typed[: -len(unit)].rstrip(), unit
    return typed, ""


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
            typed, behind = _without_unit(typed)
            chosen = self.form.get(input_name(ask.unit_field, where[0]), "")
            if behind and behind != chosen:
                self.errors[where] = f"{ask.label}: typed in {behind}, but the unit chosen is {chosen or 'none'}"
                return None
            declared = replace(declared, unit=str(chosen))
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


@dataclass(frozen=True)
class Field:
    """What a template needs to draw one field."""

    name: str
    kind: Kind
    label: str
    value: str = ""
    unit: str = ""
    choices: Words = field(default_factory=dict)
    help: str = ""
    error: str = ""
    question: str = ""
    keep: str = ""
    understood: str = ""
    planned: str = ""
    """The recipe's value with its unit, where what stands in the field departs from it."""
    as_planned: bool = False
    required: bool = False
    suggestions: tuple[str, ...] = ()


def show(
    ask: Ask,
    typed: Typed | None = None,
    *,
    row: int | None = None,
    value: Any = None,
    planned: Any = None,
    keep: Iterable[Where] = (),
    suggestions: Sequence[str] = (),
) -> Field:
    """`ask` as a field: with what was `typed` if anything was, else `value`, else the recipe's `planned` value.

    Give `planned` only for settings: nothing measured and no outcome is ever prefilled.
    """
    where = (row, ask.name)
    was_typed = typed is not None and where in typed.raw
    text_now = (
        typed.raw[where] if typed is not None and was_typed else field_text(ask, planned if value is None else value)
    )
    same = field_text(ask, planned)
    meant = _meaning(ask, text_now)
    departs = planned is not None and text_now != "" and meant != _meaning(ask, same)
    declared = ask.quantity
    return Field(
        name=input_name(ask.name, row),
        kind=ask.kind,
        label=ask.label,
        value=text_now,
        unit=declared.unit if declared else "",
        choices=ask.choices,
        help=ask.help,
        error=typed.errors.get(where, "") if typed else "",
        question=typed.questions.get(where, "") if typed and where not in set(keep) else "",
        keep=ask.name if row is None else f"{row}:{ask.name}",
        understood=typed.understood.get(where, "") if typed else "",
        planned=_planned_words(ask, planned) if departs else "",
        as_planned=planned is not None and not departs,
        required=ask.required,
        suggestions=tuple(suggestions),
    )


def field_text(ask: Ask, value: Any) -> str:
    """A stored value as one would type it."""
    if value is None:
        return ""
    if ask.kind == "flag":
        return "yes" if value else ""
    if ask.kind == "several":
        return " ".join(value)
    declared = ask.quantity
    if declared and isinstance(value, (int, float)):
        bare = replace(declared, unit="")
        return value_text(float(value), bare).replace("\u202f", "").replace("−", "-")
    return str(value)


def _planned_words(ask: Ask, planned: Any) -> str:
    declared = ask.quantity
    if declared and isinstance(planned, (int, float)):
        return value_text(float(planned), declared)
    return str(ask.choices.get(str(planned), planned))


def _meaning(ask: Ask, typed: str) -> Any:
    declared = ask.quantity
    if declared is None or not typed:
        return typed
    read = read_quantity(typed, declared)
    return typed if isinstance(read, ReadError) else read.value
