"""What the parts of the story share: the calendar, and what is known of a disc or chip on its way."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from app.core.example.happenings import Happening


@dataclass(frozen=True)
class Calendar:
    """Instants by week and working day, counted from `start`, a Monday at 00:00 UTC."""

    start: datetime

    def at(self, week: int, day: int, hour: int, minute: int = 0) -> datetime:
        """`day` 0 is Monday; days past Friday run into the next week."""
        return self.start + timedelta(weeks=week + day // 5, days=day % 5, hours=hour, minutes=minute)


@dataclass(frozen=True)
class Disc:
    """One disc in hand: its code, site and size; `reject` once a step spoiled it."""

    code: str
    exposure: int
    row: int
    column: int
    nominal_um: float
    purpose: str
    reject: bool = False


@dataclass(frozen=True)
class ChipState:
    """A chip with its discs in hand; `shift_dex` is what its wafer does to log Q."""

    code: str
    letter: str
    discs: tuple[Disc, ...]
    oxide_um: float
    shift_dex: float

    @property
    def candidates(self) -> list[Disc]:
        """Discs meant to become devices and not spoiled so far."""
        return [disc for disc in self.discs if disc.purpose == "candidate" and not disc.reject]


Happenings = list[Happening]
