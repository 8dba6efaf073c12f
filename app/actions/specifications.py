"""Specifications: what counts as on specification, in versions that never change."""

from __future__ import annotations

import json
from pathlib import Path

from sqlalchemy import select

from app.actions.rules import check_version
from app.core.quantities import QUANTITIES
from app.core.refusal import ChangedMeanwhile, Refusal, Where
from app.core.vocab import DEVICE_KINDS, MEDIA
from app.db.models.recipes import Specification, SpecificationVersion
from app.db.session import Writing
from app.schemas.specifications import (
    NumbersIn,
    SpecificationChangeIn,
    SpecificationIn,
    SpecificationVersionIn,
)

WINDOWS = (("pillar_ratio_min", "pillar_ratio_max"), ("outer_um_min", "outer_um_max"))


def register_specification(writing: Writing, data: SpecificationIn) -> SpecificationVersion:
    """Found a specification for one kind of device; returns its first version."""
    if data.kind not in DEVICE_KINDS:
        raise Refusal.of("Say which kind of device it is for.", at="kind")
    _check_name(writing, data.name)
    _check_numbers(data)
    found = Specification(name=data.name, name_key=data.name.casefold())
    writing.add(found)
    return _add(writing, found.id, 1, data.kind, data)


def add_specification_version(writing: Writing, data: SpecificationVersionIn) -> SpecificationVersion:
    """Make a new version; the ones before stay as they were, and so do the figures made by them."""
    newest = writing.session.scalar(
        select(SpecificationVersion)
        .where(SpecificationVersion.specification_id == data.specification_id)
        .order_by(SpecificationVersion.number.desc())
        .limit(1)
    )
    if newest is None:
        raise Refusal.of("There is no such specification.")
    if data.newest is not None and data.newest != newest.number:
        raise ChangedMeanwhile(
            {(None, None): f"Somebody made version {newest.number} while this form was open. It is shown beside yours."}
        )
    _check_numbers(data)
    if all(getattr(newest, name) == getattr(data, name) for name in NumbersIn.model_fields):
        raise Refusal.of(f"Nothing differs from version {newest.number}: there is nothing to save.")
    return _add(writing, data.specification_id, newest.number + 1, newest.kind, data)


def change_specification(writing: Writing, specification_id: int, data: SpecificationChangeIn) -> Specification:
    """Change a specification's name, or take it out of use."""
    found = writing.session.get(Specification, specification_id)
    if found is None:
        raise Refusal.of("There is no such specification.")
    check_version(found, data.version)
    _check_name(writing, data.name, but=found.id)
    found.name, found.name_key, found.active = data.name, data.name.casefold(), data.active
    writing.session.flush()
    return found


def seed_specifications(writing: Writing, folder: Path) -> int:
    """Give a lab without any specification the ones of `folder`; returns how many were made."""
    if writing.session.scalar(select(Specification.id).limit(1)) is not None:
        return 0
    given = json.loads((folder / "specifications.json").read_text(encoding="utf-8"))
    for each in given:
        register_specification(writing, SpecificationIn(**each))
    return len(given)


def _add(writing: Writing, found_id: int, number: int, kind: str, data: NumbersIn) -> SpecificationVersion:
    numbers = {name: getattr(data, name) for name in NumbersIn.model_fields}
    version = SpecificationVersion(
        specification_id=found_id,
        number=number,
        kind=kind,
        **numbers,
        made_at=writing.now,
        made_by_id=writing.operator_id,
    )
    writing.add(version)
    return version


def _check_numbers(data: NumbersIn) -> None:
    errors: dict[Where, str] = {}
    for name in NumbersIn.model_fields:
        value = getattr(data, name)
        if name in QUANTITIES and value is not None and not QUANTITIES[name].is_hard(value):
            errors[None, name] = f"{QUANTITIES[name].label} {value:g}: this cannot be."
    for low, high in WINDOWS:
        ends = getattr(data, low), getattr(data, high)
        if None not in ends and ends[0] >= ends[1]:
            errors[None, high] = "The upper end must be above the lower end."
    if data.medium is not None and data.medium not in MEDIA:
        errors[None, "medium"] = "Choose a medium from the list."
    if errors:
        raise Refusal(errors)


def _check_name(writing: Writing, name: str, but: int | None = None) -> None:
    found = writing.session.scalar(select(Specification).where(Specification.name_key == name.casefold()))
    if found is not None and found.id != but:
        raise Refusal.of(f"There is a specification “{found.name}” already.", at="name")
