"""Fields as a template draws them: what stands in each, what was understood, where it departs from the recipe."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from app.core.reading import ReadError, read_quantity, value_text
from app.core.refusal import Where
from app.core.vocab import Words
from app.web.asks import Ask, Kind, input_name, without_unit
from app.web.typed import Typed


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
    read = read_quantity(without_unit(typed)[0] if ask.unit_field else typed, declared)
    return typed if isinstance(read, ReadError) else read.value
