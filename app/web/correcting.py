"""The form that corrects a record: what stands, what was changed of it, and two versions side by side."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from zoneinfo import ZoneInfo

from starlette.datastructures import FormData

from app.core.step import Setting
from app.core.vocab import VERDICTS
from app.queries.correctable import Correctable
from app.queries.records import Record
from app.schemas.log import CorrectIn, FindingIn
from app.web import forms
from app.web.fields import field_text
from app.web.forms import Ask, Field, Typed, input_name
from app.web.log_form import MOST_ROWS, NOTE, parse, parse_rows, read_points

FOUND = (
    forms.text("device", "Device"),
    forms.choice("verdict", "Verdict", VERDICTS),
    forms.quantity("outer_um"),
    forms.quantity("minor_um"),
    forms.quantity("roundness_um"),
    forms.text("note", "Note"),
)
PIECES = forms.text("pieces", "Pieces it was done to")
POINTS = forms.text("points_um", "Thickness at each point", help="In µm, or with nm behind each.")
DONE_AT = forms.when(label="Done at", required=False)
UNTIL = forms.when("until", "Due back", required=False)
REASON = forms.text("reason", "In your words")
WHY = forms.text("why", "In your words")
"""Why a record is corrected; an ending has a `reason` of its own."""
BLANK_ROWS = 2


@dataclass(frozen=True)
class Both:
    """A field that differs: as it stands now, and as this person has it. `mine` where this person changed it.

    `pick` is which of the two is chosen so far; where only the other person changed it, what stands.
    """

    name: str
    label: str
    stands: str
    typed: str
    mine: bool
    pick: str


@dataclass(frozen=True)
class Asked:
    """Everything the form asks for and, by input name, the text that stands in each field."""

    settings: tuple[Ask, ...]
    links: tuple[Ask, ...]
    rows: tuple[Ask, ...]
    stood: Mapping[str, str]
    values: Mapping[str, Any]
    facts: Correctable

    @property
    def head(self) -> tuple[Ask, ...]:
        """All but the rows."""
        return (*self.settings, *self.links)

    def by_input(self) -> dict[str, Ask]:
        """Every field that has something standing in it, by its input's name."""
        found = {ask.name: ask for ask in self.head}
        for row in range(len(self.facts.rows)):
            found |= {input_name(ask.name, row): ask for ask in self.rows}
        return found

    def shown(self, typed: Typed | None) -> tuple[Field, ...]:
        """The fields but the rows: what was typed, else what stands."""
        return tuple(_shown(ask, self.stood[ask.name], typed) for ask in self.head)

    def shown_rows(self, typed: Typed | None) -> tuple[tuple[Field, ...], ...]:
        """The rows that stand and empty ones for what is added."""
        seen = max((row for row, _ in typed.raw if row is not None), default=-1) + 1 if typed else 0
        count = max(min(seen, MOST_ROWS), len(self.facts.rows) + BLANK_ROWS) if self.rows else 0
        return tuple(
            tuple(_shown(ask, self.stood.get(input_name(ask.name, row), ""), typed, row) for ask in self.rows)
            for row in range(count)
        )


def _shown(ask: Ask, stands: str, typed: Typed | None, row: int | None = None) -> Field:
    shown = forms.show(ask, typed, row=row)
    return shown if typed is not None and (row, ask.name) in typed.raw else replace(shown, value=stands)


def asked(found: Record, facts: Correctable, zone: ZoneInfo) -> Asked:
    """What the form for this record asks."""
    settings = tuple(forms.of_setting(each, lots=facts.lots.get(each.lot_kind)) for each, _ in found.fields)
    links = [forms.record("tool_id", "Tool", facts.tools)]
    values: dict[str, Any] = {setting.name: value for setting, value in found.fields}
    values |= {"tool_id": facts.tool_id, "note": found.note or None, "done_at": found.done_at}
    if facts.versions:
        links.append(forms.record("recipe_version_id", "Recipe", facts.versions))
        values["recipe_version_id"] = facts.recipe_version_id
    if facts.pieces:
        links.append(PIECES)
        values["pieces"] = ", ".join(facts.pieces)
    if facts.points_um:
        links.append(POINTS)
        values["points_um"] = " ".join(f"{point:.10g}" for point in facts.points_um)
    if facts.has_until:
        links.append(UNTIL)
        values["until"] = facts.until
    links += [DONE_AT, NOTE]
    rows = FOUND if facts.is_inspection else tuple(forms.of_setting(each) for each in facts.row_settings)
    stood = {ask.name: _text(ask, values[ask.name], zone) for ask in (*settings, *links)}
    for number, row in enumerate(facts.rows):
        stood |= {input_name(ask.name, number): _text(ask, row[ask.name], zone) for ask in rows}
    return Asked(settings, tuple(links), rows, stood, values, facts)


def _text(ask: Ask, value: Any, zone: ZoneInfo) -> str:
    if ask.kind == "when":
        return f"{value.astimezone(zone):%Y-%m-%d %H:%M}" if value is not None else ""
    return field_text(ask, value)


def _sent(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value.replace("\r\n", "\n").strip() if isinstance(value, str) else ""


def settled(form: FormData, asks: Asked) -> tuple[FormData, list[str]]:
    """The form with what stands wherever that was chosen, and the fields where nobody has chosen yet."""
    wanted = str(form.get("choose", "")).split()
    picks = {name: form.get(f"pick-{name}") for name in wanted if name in asks.stood}
    theirs = {name for name, pick in picks.items() if pick == "theirs"}
    items = [(name, value) for name, value in form.multi_items() if name not in theirs]
    items += [(name, asks.stood[name]) for name in theirs if asks.stood[name]]
    items += [(name, "") for name in theirs if not asks.stood[name] and asks.by_input()[name].kind != "flag"]
    return FormData(items), [name for name, pick in picks.items() if pick not in ("mine", "theirs")]


def both_versions(form: FormData, asks: Asked, *, anew: bool) -> tuple[Both, ...]:
    """Fields in which what stands now and what was sent differ; `anew` where what was chosen before is no answer."""
    try:
        was = json.loads(str(form.get("_was", "{}")))
    except ValueError:
        was = {}
    was = was if isinstance(was, dict) else {}
    found = []
    for name, ask in asks.by_input().items():
        stands, sent = asks.stood[name], _sent(form, name)
        if stands == sent or (name not in form and ask.kind != "flag"):
            continue
        row = f"Row {int(name[1 : name.index('-')]) + 1}, " if name not in {each.name for each in asks.head} else ""
        mine, chosen = was.get(name) != sent, form.get(f"pick-{name}")
        pick = str(chosen) if chosen and not anew else "" if mine else "theirs"
        found.append(Both(name, row + ask.label, _words(ask, stands), _words(ask, sent), mine, pick))
    return tuple(found)


def _words(ask: Ask, text: str) -> str:
    if ask.kind == "flag":
        return "yes" if text else "no"
    declared = ask.quantity
    unit = f"\u00a0{declared.unit}" if declared and declared.unit and text.replace(".", "").isdecimal() else ""
    return f"{ask.choices.get(text, text)}{unit}" if text else "left open"


@dataclass(frozen=True)
class Correction:
    """What was sent, read: everything typed, and what of it differs from what stands."""

    typed: Typed
    changed: frozenset[str]
    head: Typed
    rows: tuple[Mapping[str, Any], ...] | None = None
    findings: tuple[FindingIn, ...] | None = None
    points_um: tuple[float, ...] | None = None
    errors: Mapping[Any, str] = field(default_factory=dict)

    def data(self, event_id: int, version: int | None, settings: Sequence[Setting], **more: Any) -> CorrectIn:
        """The correction; what was not changed is not sent on."""
        named = {setting.name for setting in settings} | {"tool_id", "recipe_version_id"}
        values = self.head.values
        changed = self.changed
        return CorrectIn(
            event_id=event_id,
            version=version,
            changes={name: values[name] for name in changed & named},
            done_at=values["done_at"] if "done_at" in changed else None,
            until=values["until"] if "until" in changed else None,
            note=(values["note"] or "") if "note" in changed else None,
            rows=self.rows,
            findings=self.findings,
            points_um=self.points_um,
            **more,
        )


def read(form: FormData, asks: Asked, unsettled: Sequence[str], zone: ZoneInfo) -> Correction:
    """Read the form against what stands."""
    head = parse(form, (*asks.head, WHY), zone)
    rows = parse_rows(form, asks.rows, zone) if asks.rows else Typed({}, (), ())
    changed = frozenset(
        ask.name
        for ask in asks.head
        if (ask.name in form or ask.kind == "flag") and _sent(form, ask.name) != asks.stood[ask.name]
    )
    errors: dict[Any, str] = {**head.errors, **rows.errors}
    names = {name: ask.label for name, ask in asks.by_input().items()}
    errors |= {(None, f"pick-{name}"): f"{names[name]}: choose which of the two is right" for name in unsettled}
    points: tuple[float, ...] | None = None
    if "points_um" in changed:
        points, wrong = read_points(head.values["points_um"] or "")
        if wrong:
            errors[None, "points_um"] = wrong
    said, kept = None, rows
    if asks.facts.is_inspection:
        said, kept = _findings(form, asks, rows, errors)
    lines = None if asks.facts.is_inspection or not asks.rows else _lines(form, asks, rows)
    if asks.rows:
        typed = replace(head.together(kept), errors=errors)
    else:  # the points of a measurement are numbered as a batch's rows are
        typed = replace(head, errors=errors, numbers=tuple(range(len(points))) if points else head.numbers)
    return Correction(typed, changed, head, lines, said, points)


def _same(form: FormData, asks: Asked, row: int) -> bool:
    return all(
        _sent(form, name) == asks.stood.get(name, "")
        for name in (input_name(ask.name, row) for ask in asks.rows)
        if name in form
    )


def _lines(form: FormData, asks: Asked, rows: Typed) -> tuple[dict[str, Any], ...] | None:
    """Repeated settings, all of them, where one differs; a cell left as it was keeps its value to the last digit."""
    stood = asks.facts.rows
    there = [n for n in range(len(stood)) if any(input_name(ask.name, n) in form for ask in asks.rows)]
    if all(_same(form, asks, n) for n in {*there, *[n for n in rows.numbers if n is not None]}):
        return None
    lines = []
    for number, row in zip(rows.numbers, rows.rows, strict=True):
        values = dict(row)
        for name in values if number is not None and number < len(stood) else ():
            where = input_name(name, number)
            if _sent(form, where) == asks.stood[where]:
                values[name] = stood[number or 0][name]
        lines.append({name: value for name, value in values.items() if value is not None})
    return tuple(lines)


def _findings(
    form: FormData, asks: Asked, rows: Typed, errors: dict[Any, str]
) -> tuple[tuple[FindingIn, ...] | None, Typed]:
    """What is said anew of devices, and the rows it was said in."""
    stood, said, numbers, kept = asks.facts.rows, [], [], []
    for place, was in enumerate(stood):
        name = input_name("device", place)
        if name in form and _sent(form, name).casefold() != was["device"].casefold():
            errors[place, "device"] = (
                f"This was said of {was['device']}. To say it of another device, use “Belongs to another device”"
            )
    for number, row in zip(rows.numbers, rows.rows, strict=True):  # every row of a batch has its number
        if number is None or _same(form, asks, number):
            continue
        for needed in ("device", "verdict"):
            if not row[needed] and (number, needed) not in errors:
                errors[number, needed] = "Name the device" if needed == "device" else "Give a verdict"
        kept.append(row)
        numbers.append(number)
        said.append(row)
    if errors or not said:
        return None, rows
    chosen = replace(rows, rows=tuple(kept), numbers=tuple(numbers))
    return tuple(FindingIn(**row) for row in said), chosen
