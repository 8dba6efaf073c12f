"""Days in an address: `from` and `to` as a person or a date field writes them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True)
class Days:
    """From the first day's beginning to the last day's end, in UTC; `errors` say what could not be read."""

    start: datetime | None
    end: datetime | None
    errors: tuple[str, ...]


def read_days(first: str, last: str, zone: ZoneInfo) -> Days:
    """Read two ISO days (either may be blank) in the lab's zone; the last day is included."""
    errors: list[str] = []
    begins, ends = _day("From", first, errors), _day("To", last, errors)
    if begins and ends and ends < begins:
        errors.append(f"From {first.strip()} to {last.strip()} holds no day: the first comes after the last.")
    return Days(
        None if begins is None else _midnight(begins, zone),
        None if ends is None else _midnight(ends + timedelta(days=1), zone),
        tuple(errors),
    )


def _day(label: str, text: str, errors: list[str]) -> date | None:
    typed = text.strip()
    if not typed:
        return None
    try:
        read = date.fromisoformat(typed)
    except ValueError:
        read = None
    if read is None or not 1900 <= read.year <= 9000:
        errors.append(f"{label}: “{typed[:40]}” is not a day of the calendar; write it like 2026-03-12.")
        return None
    return read


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time(), zone).astimezone(UTC)
