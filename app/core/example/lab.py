"""The whole invented lab as one ordered list of happenings; always the same for the same last day and size."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from app.core.example import stock
from app.core.example.chips import chips_story
from app.core.example.fibres import fibre_story
from app.core.example.happenings import Happening
from app.core.example.measuring import scans_story
from app.core.example.plan import WEEKS, batch_plans, wafer_plans
from app.core.example.story import Calendar, Happenings
from app.core.example.wafers import wafer_story

LAB_NAME = "Example lab (invented)"
SEASONS = {"small": 1, "large": 8}


@dataclass(frozen=True)
class ExampleLab:
    """Its name, and everything that happened, by time."""

    name: str
    happenings: tuple[Happening, ...]


def example_lab(today: date, size: str = "small") -> ExampleLab:
    """The lab with its last day on the Friday before `today`; only the dates depend on it, whole weeks at a time."""
    seasons = SEASONS[size]
    weeks = WEEKS * seasons
    friday = today - timedelta(days=(today.weekday() - 4) % 7 or 7)
    monday = friday - timedelta(days=4, weeks=weeks - 1)
    calendar = Calendar(datetime.combine(monday, time(), UTC))
    happenings = _beginnings(calendar, seasons)
    for plan in wafer_plans(seasons):
        made, chips = wafer_story(plan, calendar)
        worked, reflowed = chips_story(plan, chips, calendar)
        happenings += [*made, *worked, *scans_story(plan, reflowed, calendar)]
    for batch in batch_plans(seasons):
        happenings += fibre_story(batch, calendar)
    return ExampleLab(LAB_NAME, tuple(sorted(happenings, key=lambda happening: happening.at)))


def _beginnings(calendar: Calendar, seasons: int) -> Happenings:
    """What was there before the first wafer, and what came later by itself."""
    first = calendar.at(0, 0, 6)
    happenings: Happenings = [
        *stock.people(first),
        *stock.tools(first + timedelta(minutes=5)),
        *stock.lots(first + timedelta(minutes=10)),
        *stock.specifications(first + timedelta(minutes=15)),
        *stock.first_recipes(first + timedelta(minutes=20)),
        *stock.second_recipes(calendar.at(0, 0, 7)),
        *stock.calibrations(first, WEEKS * seasons),
        stock.mask(first + timedelta(minutes=12), "ROWAN-3"),
        stock.mask(calendar.at(12, 2, 9), "ROWAN-4"),
    ]
    for number in range(1, 2 * seasons + 1):
        happenings += stock.bath(calendar.at(13 * (number - 1), 0, 8), number)
    return happenings
