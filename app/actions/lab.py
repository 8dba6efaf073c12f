"""Settings of the lab as a whole: its name, zone, stalled days and plausible ranges. A lead makes them."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import select

from app.core.quantities import QUANTITIES
from app.core.refusal import Refusal
from app.db.models.people import LabSetting, Operator, QuantityRange
from app.db.session import Writing
from app.queries.people import has_lead
from app.schemas.lab import LabIn, RangeIn


def change_lab(writing: Writing, data: LabIn) -> None:
    """Set the lab's name, time zone and stalled days."""
    _check_lead(writing)
    try:
        ZoneInfo(data.zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as why:
        raise Refusal.of(f"No time zone is called “{data.zone}”: write it like Europe/Vienna.", at="zone") from why
    days = QUANTITIES["stalled_days"]
    if not days.is_hard(data.stalled_days):
        raise Refusal.of("A piece cannot stall before a day has passed, nor wait for ever.", at="stalled_days")
    for name, value in (("name", data.name), ("zone", data.zone), ("stalled_days", data.stalled_days)):
        set_lab(writing, name, value)


def set_lab(writing: Writing, name: str, value: Any) -> None:
    """Keep one setting of the lab, made anew or changed."""
    row = writing.session.scalar(select(LabSetting).where(LabSetting.name == name))
    if row is None:
        writing.add(LabSetting(name=name, value=value))
    elif row.value != value:
        row.value = value
        writing.session.flush()


def set_range(writing: Writing, data: RangeIn) -> QuantityRange | None:
    """Set what is plausible of a quantity here; without both ends the declared range holds again."""
    _check_lead(writing)
    quantity = QUANTITIES.get(data.quantity)
    if quantity is None:
        raise Refusal.of(f"There is no quantity “{data.quantity}”.")
    low, high = (data.low, data.high) if (data.low, data.high) != (None, None) else quantity.plausible
    for at, value in (("low", low), ("high", high)):
        if value is not None and not quantity.is_hard(value):
            raise Refusal.of(f"{quantity.label} can never be {value:g} {quantity.unit}".rstrip() + ".", at=at)
    if low is not None and high is not None and low >= high:
        raise Refusal.of("The lower end must be below the upper end.", at="low")
    row = writing.session.scalar(select(QuantityRange).where(QuantityRange.quantity == data.quantity))
    if row is None:
        if (low, high) != quantity.plausible:
            row = QuantityRange(quantity=data.quantity, low=low, high=high)
            writing.add(row)
    elif (row.low, row.high) != (low, high):
        row.low, row.high = low, high
        writing.session.flush()
    return row


def _check_lead(writing: Writing) -> None:
    who = writing.session.get(Operator, writing.operator_id) if writing.operator_id is not None else None
    if has_lead(writing.session) and (who is None or who.role != "lead"):
        raise Refusal.of("Only a lead changes the settings of the lab. Let a lead say who is logging, then save again.")
