"""What the records hold, for programs: quantities and step kinds as JSON Schema, from their declarations."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, HTTPException

from app.core.json_schema import quantity_schema, step_schema
from app.core.quantities import QUANTITIES
from app.core.step_catalogue import STEPS

router = APIRouter()


@router.get("/quantities")
def quantities() -> dict[str, dict[str, Any]]:
    """Every quantity by name: type, label, unit, ranges."""
    return {name: quantity_schema(quantity) for name, quantity in QUANTITIES.items()}


@router.get("/step-kinds")
def step_kinds() -> dict[str, dict[str, Any]]:
    """Every step kind by name, in the usual order of work, with its settings."""
    return {name: step_schema(step) for name, step in STEPS.items()}


@router.get("/step-kinds/{kind}")
def step_kind(kind: str) -> dict[str, Any]:
    """The settings of one step kind."""
    if kind not in STEPS:
        raise HTTPException(404, f"No step kind is called {kind}.")
    return step_schema(STEPS[kind])
