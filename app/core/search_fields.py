"""What recipes can be searched and grouped by, read from the declarations of the steps."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from app.core.quantities import QUANTITIES
from app.core.step import Setting, StepKind
from app.core.step_catalogue import STEPS
from app.core.vocab import Words

FieldKind = Literal["quantity", "choice", "text", "flag", "lot", "recipe", "person", "mask", "wafer"]

_PIECES = {"microtoroid": "wafer", "microsphere": "fibre_batch"}
_MADE = {"undercut": ("cycles", "cycle_s", "xef2_torr", "n2_torr", "dose_torr_s")}
"""Columns that the device table sums up from a step's rows."""
_OF_SHOT = ("power_w", "spot_um", "intensity_kw_cm2")
_MEASURED = {
    "microtoroid": ("disc_um", "pillar_ratio", "undercut_um", "pillar_offset_um", "oxide_um"),
    "microsphere": (),
}
_AFTER = ("outer_um", "minor_um", "roundness_um")


@dataclass(frozen=True)
class SearchField:
    """One column of the device table as a person may ask for it; `set_by_us` where somebody chose its value."""

    name: str
    label: str
    kind: FieldKind
    group: str
    unit: str = ""
    decimals: int = 0
    quantity: str = ""
    """Name of the declared quantity it is, where it is one."""
    choices: Words = field(default_factory=dict)
    set_by_us: bool = True
    of_piece: bool = True
    """Whether all devices of a piece share it."""


@lru_cache
def search_fields(kind: str) -> dict[str, SearchField]:
    """Every field for a kind of device by column name, in the order of work."""
    fields: list[SearchField] = []
    for step in STEPS.values():
        if _PIECES[kind] in step.pieces:
            fields += _of_step(step)
    fields += [_quantity(name, name, "Measured", set_by_us=False) for name in (*_MEASURED[kind], *_AFTER)]
    fields.append(_quantity("days_to_scan", "band_days_to_scan", "Measured", set_by_us=False))
    if kind == "microtoroid":
        fields.append(_quantity("nominal_um", "nominal_um", "Mask and wafer"))
        fields.append(SearchField("mask_array_id", "Mask array", "mask", "Mask and wafer"))
    fields.append(
        SearchField("root_code", "Wafer" if kind == "microtoroid" else "Fibre batch", "wafer", "Mask and wafer")
    )
    return {each.name: each for each in fields}


def filters(kind: str) -> dict[str, SearchField]:
    """Fields that take a range."""
    return {name: each for name, each in search_fields(kind).items() if each.kind == "quantity"}


def groupings(kind: str) -> dict[str, SearchField]:
    """Fields that make groups: recipe versions, and what somebody set."""
    return {name: each for name, each in search_fields(kind).items() if each.set_by_us}


def step_label(field: SearchField) -> str:
    """The field with its step, since several steps have a temperature; `XeF₂ pressure` keeps its capital."""
    if field.kind in ("recipe", "person", "mask", "wafer") or field.group == "Measured":
        return field.label
    word, space, rest = field.label.partition(" ")
    plain = word if word[1:] and not word[1:].islower() else word.lower()
    return f"{field.group}: {plain}{space}{rest}"


def usual_grouping(kind: str) -> tuple[str, ...]:
    """What a search goes by until told otherwise."""
    return ("reflow_recipe_version_id", *(("undercut_recipe_version_id",) if kind == "microtoroid" else ()))


def _of_step(step: StepKind) -> list[SearchField]:
    of_piece = step.scope == "piece"
    fields = [
        SearchField(f"{step.name}_recipe_version_id", f"{step.label}, recipe", "recipe", step.label, of_piece=of_piece)
    ]
    fields += [_setting(step, setting) for setting in step.settings]
    made = _OF_SHOT if step.name == "reflow" else _MADE.get(step.name, ())
    fields += [_quantity(name, f"{step.name}_{name}", step.label, of_piece=of_piece) for name in made]
    fields.append(
        SearchField(f"{step.name}_operator_id", f"{step.label}, by whom", "person", step.label, of_piece=of_piece)
    )
    return fields


def _setting(step: StepKind, setting: Setting) -> SearchField:
    name = f"{step.name}_{setting.name}"
    of_piece = step.scope == "piece"
    if setting.quantity is not None:
        return _quantity(setting.name, name, step.label, of_piece=of_piece)
    kinds: dict[str, FieldKind] = {"choice": "choice", "text": "text", "flag": "flag", "lot": "lot"}
    return SearchField(name, setting.words, kinds[setting.kind], step.label, choices=setting.choices, of_piece=of_piece)


def _quantity(quantity: str, column: str, group: str, *, set_by_us: bool = True, of_piece: bool = True) -> SearchField:
    declared = QUANTITIES[quantity]
    return SearchField(
        column,
        declared.label,
        "quantity",
        group,
        declared.unit,
        declared.decimals,
        quantity,
        set_by_us=set_by_us,
        of_piece=of_piece,
    )
