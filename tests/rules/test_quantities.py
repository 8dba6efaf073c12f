"""Every quantity is declared once: column, form field, check, filter, export header and axis title follow from it."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Float, Integer, Numeric
from starlette.datastructures import FormData

from app.core.quantities import QUANTITIES, Quantity
from app.core.reading import value_text
from app.core.search_fields import search_fields
from app.core.step_catalogue import STEPS
from app.core.vocab import STAGES
from app.db.base import Base
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.steps import ROW_CLASSES, STEP_CLASSES, ReflowShot
from app.queries.maps import SHOWABLE
from app.web import forms
from tests.rules import house

UNITS = {
    "um": "µm", "mm": "mm", "nm": "nm", "cm3": "cm³", "s": "s", "ms": "ms", "min": "min", "ns": "ns", "d": "d",
    "c": "°C", "deg": "°", "w": "W", "uw": "µW", "v": "V", "mhz": "MHz", "torr": "Torr", "pct": "%", "j": "J",
}  # fmt: skip
EVERY = sorted(QUANTITIES)
IN_RANGE = [name for name in EVERY if None not in QUANTITIES[name].plausible]


def read(quantity: Quantity, typed: str) -> forms.Typed:
    """What a form makes of something typed."""
    form = FormData([(quantity.name, typed)])
    asks = (forms.quantity(quantity.name),)
    return forms.parse_form(form, asks, now=datetime(2026, 3, 12, tzinfo=UTC), zone=ZoneInfo("UTC"))


def test_the_unit_at_the_end_of_a_name_is_the_declared_one() -> None:
    """A name that ends in a unit says the unit that is declared."""
    wrong = {
        name: quantity.unit
        for name, quantity in QUANTITIES.items()
        if (end := name.removesuffix("_min").removesuffix("_max").rsplit("_", 1)[-1]) in UNITS
        and "_" in name
        and "_per_" not in name
        and not name.endswith("_torr_s")
        and quantity.unit != UNITS[end]
    }
    assert wrong == {}


@pytest.mark.parametrize("name", EVERY)
def test_the_form_field_is_the_declared_one(name: str) -> None:
    """Label, unit and help of a field come from the declaration, whatever page asks."""
    quantity = QUANTITIES[name]
    field = forms.show(forms.quantity(name))
    assert (field.label, field.unit) == (quantity.label, quantity.unit)
    assert field.help == quantity.help
    assert quantity.axis_title == (f"{quantity.label} / {quantity.unit}" if quantity.unit else quantity.label)


@pytest.mark.parametrize("name", IN_RANGE)
def test_the_check_is_the_declared_one(name: str) -> None:
    """Within the plausible range a value is taken; past the hard one it is refused, with its name and range."""
    quantity = QUANTITIES[name]
    low, high = quantity.plausible
    assert low is not None
    assert high is not None
    middle = round(low + (high - low) / 2) if quantity.whole else low + (high - low) / 2
    taken = read(quantity, repr(middle))
    assert not taken.errors, taken.errors
    assert taken.values[name] == pytest.approx(middle)
    impossible = quantity.hard[1]
    if impossible is not None:
        over = read(quantity, repr(impossible * 2 + 1 if not quantity.whole else int(impossible * 2 + 1)))
        assert (None, name) in over.errors
    assert quantity.unit in value_text(middle, quantity)


def test_columns_of_steps_are_their_declared_quantities() -> None:
    """Each setting is a column of its step's table and of the device table, whole where it counts."""
    for name, step in STEPS.items():
        own = (ReflowShot if name == "reflow" else STEP_CLASSES[name]).__table__.c  # type: ignore[attr-defined]
        facts = (DEVICE_FACTS if name == "reflow" else PIECE_FACTS).c
        for setting in step.settings:
            if setting.quantity is None:
                continue
            kind = Integer if setting.quantity.whole else Float
            assert isinstance(own[setting.name].type, kind), setting.name
            assert isinstance(facts[f"{name}_{setting.name}"].type, kind), setting.name
        for setting in step.rows.settings if step.rows else ():
            assert setting.name in ROW_CLASSES[name].__table__.c
            assert setting.quantity is not None


def test_a_column_that_is_called_as_a_quantity_is_a_number() -> None:
    """No table keeps a declared quantity as text, or a counted one as a fraction."""
    for table in Base.metadata.tables.values():
        for column in table.columns:
            quantity = QUANTITIES.get(column.name)
            if quantity is not None:
                assert isinstance(column.type, Numeric | Float | Integer), f"{table.name}.{column.name}"
                assert isinstance(column.type, Integer) or not quantity.whole, f"{table.name}.{column.name}"


def test_filters_are_the_declared_quantities() -> None:
    """Every range a recipe search offers has the label, unit and decimals of its declaration."""
    for kind in STAGES:
        fields = [field for field in search_fields(kind).values() if field.kind == "quantity"]
        assert fields
        for field in fields:
            quantity = QUANTITIES[field.quantity]
            assert (field.label, field.unit, field.decimals) == (quantity.label, quantity.unit, quantity.decimals)


def test_what_a_map_can_show_is_declared() -> None:
    """A colour scale has the label and unit of a declared quantity, or it is a plain count."""
    declared = {(quantity.label, quantity.unit) for quantity in QUANTITIES.values()}
    for quantity in SHOWABLE.values():
        assert (quantity.label, quantity.unit) in declared or (quantity.whole and not quantity.unit)


def test_no_module_declares_a_quantity_of_its_own() -> None:
    """`Quantity(…)` is called in one module."""
    for path in house.files("app"):
        if path.name != "quantities.py":
            assert "Quantity(" not in path.read_text(), house.name(path)
