"""JSON Schema (draft 2020-12) of quantities and step kinds, worked out from their declarations."""

from __future__ import annotations

from typing import Any

from app.core.quantities import Quantity
from app.core.step import Setting, StepKind

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def quantity_schema(quantity: Quantity) -> dict[str, Any]:
    """Type, title, hard range; unit and plausible range as `x-` annotations, which the standard leaves free."""
    schema: dict[str, Any] = {"type": "integer" if quantity.whole else "number", "title": quantity.label}
    if quantity.help:
        schema["description"] = quantity.help
    low, high = quantity.hard
    if low is not None:
        schema["minimum"] = low
    if high is not None:
        schema["maximum"] = high
    schema["x-unit"] = quantity.unit
    schema["x-decimals"] = quantity.decimals
    schema["x-plausible"] = list(quantity.plausible)
    return schema


def step_schema(step: StepKind) -> dict[str, Any]:
    """The settings of a step kind as an object; nothing is required, since only the impossible is refused."""
    properties = {setting.name: _setting(setting) for setting in step.settings}
    if step.rows is not None:
        row = {setting.name: _setting(setting) for setting in step.rows.settings}
        properties[step.rows.name] = {
            "type": "array",
            "title": step.rows.label,
            "items": {"type": "object", "properties": row, "additionalProperties": False},
        }
    return {
        "$schema": DIALECT,
        "type": "object",
        "title": step.label,
        "properties": properties,
        "additionalProperties": False,
    }


def _setting(setting: Setting) -> dict[str, Any]:
    if setting.quantity is not None:
        return quantity_schema(setting.quantity)
    kinds: dict[str, dict[str, Any]] = {
        "choice": {"type": "string", "examples": list(setting.choices)},
        "text": {"type": "string"},
        "flag": {"type": "boolean"},
        "lot": {"type": "integer", "description": "Number of a lot"},
    }
    return {"title": setting.words, **kinds[setting.kind]}
