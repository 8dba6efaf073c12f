"""Days in an address: `from` and `to` as a person writes them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from app.core.when import NoInstant, read_when


@dataclass(frozen=True)
class Days:
    """From the first day's beginning to the last day's end, in UTC; `errors` say what could not be read."""

    start: datetime | None
    end: datetime | None
    errors: tuple[str, ...]


def read_days(first: str, last: str, zone: ZoneInfo, now: datetime | None = None) -> Days:
    """Read two days (either may be blank) in the lab's zone, as `core.when` understands them; both are included.

    `now` is what today, yesterday and a day without a year are reckoned from.
    """
    errors: list[str] = []
    here = now or datetime.now(UTC)
    begins, ends = (_day(label, text, here, zone, errors) for label, text in (("From", first), ("To", last)))
    if begins and ends and ends < begins:
        errors.append(f"From {first.strip()} to {last.strip()} holds no day: the first comes after the last.")
    return Days(
        None if begins is None else _midnight(begins, zone),
        None if ends is None else _midnight(ends + timedelta(days=1), zone),
        tuple(errors),
    )


def _day(label: str, text: str, now: datetime, zone: ZoneInfo, errors: list[str]) -> date | None:
    typed = text.strip()
    if not typed:
        return None
    read = read_when(typed, now, zone)
    day = None if isinstance(read, NoInstant) else read.at.astimezone(zone).date()
    if day is None or not 1900 <= day.year <= 9000:
        errors.append(f"{label}: “{typed[:40]}” is not a day of the calendar; write it like 2026-11-23 or 23 Nov 2026.")
        return None
    return day


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time(), zone).astimezone(UTC)
