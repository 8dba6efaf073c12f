"""What a form may ask for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from app.core.quantities import QUANTITIES, Quantity
from app.core.step import Setting
from app.core.vocab import DIAL_UNITS, Words

Kind = Literal["quantity", "choice", "several", "text", "long", "flag", "id", "when", "code"]


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


def input_name(name: str, row: int | None = None) -> str:
    """The name of an input for a field, in a batch of a row."""
    return name if row is None else f"r{row}-{name}"


def without_unit(typed: str) -> tuple[str, str]:
    """A number and the unit typed behind it, if that is one a laser's dial has."""
    for unit in DIAL_UNITS:
        if typed.upper().endswith(unit):
            return typed[: -len(unit)].rstrip(), unit
    return typed, ""
