"""What a recipe version plans: settings checked against the step's declaration, and two versions compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from app.core.quantities import Quantity
from app.core.reading import unusual, value_text
from app.core.refusal import Where
from app.core.step import Setting, StepKind

LONGEST_TEXT = 300


@dataclass(frozen=True)
class Difference:
    """One setting in which two versions differ; '' where one of them leaves it open."""

    label: str
    before: str
    after: str


@dataclass(frozen=True)
class Checked:
    """`kept` is what a version stores; `errors` cannot be, `questions` are for a person to confirm."""

    kept: Mapping[str, Any]
    errors: Mapping[Where, str]
    questions: Mapping[Where, str]


def planned_settings(step: StepKind) -> tuple[Setting, ...]:
    """The settings a recipe of this step may plan."""
    return tuple(setting for setting in step.settings if setting.planned)


def check_planned(
    step: StepKind,
    settings: Mapping[str, Any],
    rows: Sequence[Mapping[str, Any]],
    planned_shots: int | None,
    here: Mapping[str, Quantity],
) -> Checked:
    """Check what a version plans; `here` are the quantities with the ranges plausible in this lab.

    Blanks are left out: what a recipe leaves open is typed when the step is logged.
    """
    errors: dict[Where, str] = {}
    questions: dict[Where, str] = {}

    def keep(given: Mapping[str, Any], allowed: Sequence[Setting], row: int | None) -> dict[str, Any]:
        kept: dict[str, Any] = {}
        by_name = {setting.name: setting for setting in allowed}
        for name, value in given.items():
            if value is None or value == "" or (value is False and name in by_name):
                continue
            where, setting = (row, name), by_name.get(name)
            if setting is None:
                errors[where] = f"A recipe for this step plans no “{name}”."
                continue
            quantity = here[name] if setting.quantity else None
            if wrong := _wrong(setting, quantity, value):
                errors[where] = wrong
            elif quantity is not None and (question := unusual(float(value), quantity)):
                questions[where] = question
            kept[name] = value
        return kept

    kept = keep(settings, planned_settings(step), None)
    if "dialled" in kept and "dial_unit" not in kept:
        errors[None, "dial_unit"] = "Say in what the laser is dialled: W, % or V."
    if step.rows is not None:
        lines = [keep(row, step.rows.settings, number) for number, row in enumerate(rows)]
        lines = [line for line in lines if line]
        if lines:
            kept[step.rows.name] = lines
    elif rows:
        errors[None, None] = f"{step.label} has no rows."
    if planned_shots is not None and (step.scope != "device" or not here["planned_shots"].is_hard(planned_shots)):
        errors[None, "planned_shots"] = "Shots are planned for a reflow, at least one."
    return Checked(kept, errors, questions)


def differences(
    step: StepKind,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    shots: tuple[int | None, int | None] = (None, None),
) -> list[Difference]:
    """Where two versions of one step kind differ, in the order of the declaration."""
    found = _differences(planned_settings(step), before, after, "")
    if step.rows is not None:
        old, new = before.get(step.rows.name) or [], after.get(step.rows.name) or []
        for number in range(max(len(old), len(new))):
            one = old[number] if number < len(old) else {}
            other = new[number] if number < len(new) else {}
            found += _differences(step.rows.settings, one, other, f"{step.rows.label.rstrip('s')} {number + 1}: ")
    if shots[0] != shots[1]:
        found.append(Difference("Planned shots", *("" if each is None else str(each) for each in shots)))
    return found


def setting_text(setting: Setting, value: Any) -> str:
    """A setting's value in words, with its unit; '' for none."""
    if value is None or value == "":
        return ""
    if setting.quantity is not None and isinstance(value, (int, float)):
        return value_text(float(value), setting.quantity)
    if setting.kind == "flag":
        return "Yes" if value else "No"
    return str(setting.choices.get(str(value), value))


def _differences(
    settings: Sequence[Setting], before: Mapping[str, Any], after: Mapping[str, Any], prefix: str
) -> list[Difference]:
    return [
        Difference(
            f"{prefix}{setting.words}",
            setting_text(setting, before.get(setting.name)),
            setting_text(setting, after.get(setting.name)),
        )
        for setting in settings
        if (before.get(setting.name) or None) != (after.get(setting.name) or None)
    ]


def _wrong(setting: Setting, quantity: Quantity | None, value: Any) -> str:
    if quantity is not None:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return f"{quantity.label}: “{value}” is not a number."
        if not quantity.is_hard(value):
            return f"{quantity.label} cannot be {value_text(float(value), quantity)}."
        if quantity.whole and value != int(value):
            return f"{quantity.label} counts: a whole number is wanted."
        return ""
    if setting.kind == "flag":
        return "" if isinstance(value, bool) else f"{setting.words} is yes or no."
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        return f"{setting.words}: at most {LONGEST_TEXT} characters are kept here."
    return ""
