"""Values against their ranges: the impossible is refused, the unusual is confirmed once per recipe version."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.quantities import Quantity
from app.core.reading import ReadError, read_quantity, unusual
from app.core.refusal import Refusal, Where
from app.db.models.people import RangeConfirmation
from app.db.models.recipes import RecipeVersion
from app.db.session import Writing
from app.queries.lab import quantities_here


@dataclass(frozen=True)
class Given:
    """One value of a declared quantity and where it stands on the form."""

    quantity: str
    value: float
    row: int | None = None
    at: str = ""
    """The field, where it is not called as the quantity is."""

    @property
    def where(self) -> Where:
        """(row, field)."""
        return self.row, self.at or self.quantity


def check_ranges(
    writing: Writing,
    values: Iterable[Given],
    *,
    recipe_version_id: int | None = None,
    confirmed: Set[Where] = frozenset(),
) -> None:
    """Refuse impossible values and ask about unusual ones; what `confirmed` names is remembered.

    Not asked again for a recipe version: what it plans itself, and what lies no further out than a value that
    somebody has confirmed for it.
    """
    given = list(values)
    quantities = quantities_here(writing.session)
    known = _known(writing.session, recipe_version_id)
    errors: dict[Where, str] = {}
    questions: dict[Where, str] = {}
    kept: dict[tuple[str, float], None] = {}
    for each in given:
        quantity = quantities[each.quantity]
        read = read_quantity(repr(float(each.value)), quantity)
        if isinstance(read, ReadError):
            errors[each.where] = read.text
        elif (question := unusual(each.value, quantity)) and not _known_as_right(each, quantity, known):
            if each.where in confirmed:
                kept[each.quantity, float(each.value)] = None
            else:
                questions[each.where] = question
    if errors or questions:
        raise Refusal(errors, questions)
    writing.add(
        *[
            RangeConfirmation(
                recipe_version_id=recipe_version_id,
                quantity=quantity,
                value=value,
                operator_id=writing.operator_id,
                confirmed_at=writing.now,
            )
            for quantity, value in kept
        ]
    )


def _known(session: Session, version_id: int | None) -> Mapping[str, list[float]]:
    """Values a person has confirmed for the recipe version, and those it plans."""
    if version_id is None:
        return {}
    statement = select(RangeConfirmation.quantity, RangeConfirmation.value).where(
        RangeConfirmation.recipe_version_id == version_id
    )
    known: dict[str, list[float]] = {}
    for name, value in session.execute(statement):
        known.setdefault(name, []).append(value)
    version = session.get(RecipeVersion, version_id)
    for name, value in planned_numbers(version.settings if version else {}):
        known.setdefault(name, []).append(value)
    return known


def planned_numbers(settings: Mapping[str, Any]) -> list[tuple[str, float]]:
    """Every number of a recipe version's settings, those of its rows too."""
    found: list[tuple[str, float]] = []
    for name, value in settings.items():
        if isinstance(value, list):
            found += [pair for row in value if isinstance(row, dict) for pair in planned_numbers(row)]
        elif isinstance(value, int | float) and not isinstance(value, bool):
            found.append((name, float(value)))
    return found


def _known_as_right(each: Given, quantity: Quantity, known: Mapping[str, list[float]]) -> bool:
    low, high = quantity.plausible
    before = known.get(each.quantity, [])
    if high is not None and each.value > high:
        return any(value >= each.value for value in before)
    return low is not None and any(value <= each.value for value in before)
