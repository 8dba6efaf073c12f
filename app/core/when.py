"""When something was done, as a person says it: now, 20 min ago, this morning, yesterday, 10:42, 12 Mar 10:42."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

MORNING = time(9, 0)
"""What `this morning` stands for; the understood instant is shown, so that it can be made exact."""
SAYINGS = ("now", "20 min ago", "this morning", "yesterday")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MONTHS = {name.lower(): number for number, name in enumerate(MONTHS, 1)}
_AGO = re.compile(r"([0-9]{1,4})\s*(min|mins|minutes?|h|hours?|d|days?)\s+ago")
_CLOCK = r"(?P<hour>[0-9]{1,2})[:.h](?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:\.[0-9]+)?)?"
_PATTERNS = tuple(
    re.compile(pattern)
    for pattern in (
        rf"(?P<year>[0-9]{{4}})-(?P<month>[0-9]{{1,2}})-(?P<day>[0-9]{{1,2}})(?:[t ,]+{_CLOCK})?",
        rf"(?P<day>[0-9]{{1,2}})\.\s?(?P<month>[0-9]{{1,2}})\.\s?(?P<year>[0-9]{{4}})?(?:[ ,]+{_CLOCK})?",
        rf"(?P<day>[0-9]{{1,2}})\.?\s+(?P<name>[a-z]{{3,9}})\.?(?:,?\s+(?P<year>[0-9]{{4}}))?(?:[ ,]+{_CLOCK})?",
        rf"(?P<saying>today|this morning|yesterday)(?:[ ,]+(?:at\s+)?{_CLOCK})?",
        rf"(?:at\s+)?{_CLOCK}",
    )
)


@dataclass(frozen=True)
class Instant:
    """`at` in UTC; `understood` in the lab's own time."""

    at: datetime
    understood: str


@dataclass(frozen=True)
class NoInstant:
    """Why what was typed is no instant."""

    text: str


def read_when(text: str, now: datetime, zone: ZoneInfo) -> Instant | NoInstant:
    """The instant `text` means in the lab's `zone`; `now` is an aware instant. A day alone means noon of it.

    A clock time alone is today's. Whether an instant may be in the future is the timeline's business, not ours.
    """
    typed = " ".join(text.lower().split())
    here = now.astimezone(zone)
    if not typed:
        return NoInstant("Say when: now, 20 min ago, 10:42 or 2026-03-12 10:42")
    try:
        local = _local(typed, here, zone)
    except (ValueError, OverflowError):
        return NoInstant(f"“{text.strip()[:40]}” is no day or time of the calendar")
    if local is None:
        return NoInstant(f"“{text.strip()[:40]}” is not understood: write now, 20 min ago, 10:42 or 2026-03-12 10:42")
    return Instant(local.astimezone(UTC), instant_text(local, zone))


def instant_text(at: datetime, zone: ZoneInfo) -> str:
    """`12 Mar 2026 10:42`, in `zone`."""
    local = at.astimezone(zone)
    return f"{local.day} {MONTHS[local.month - 1]} {local.year} {local:%H:%M}"


def _local(typed: str, here: datetime, zone: ZoneInfo) -> datetime | None:
    if typed in ("now", "just now"):
        return here
    if ago := _AGO.fullmatch(typed):
        count, unit = int(ago[1]), ago[2][0]
        # Elapsed time is counted in UTC: two hours ago is that even where the clocks were changed between.
        step = {"m": timedelta(minutes=count), "h": timedelta(hours=count), "d": timedelta(days=count)}[unit]
        return here.astimezone(UTC) - step
    for pattern in _PATTERNS:
        if found := pattern.fullmatch(typed):
            return _from_parts(found.groupdict(), here, zone)
    return None


def _from_parts(parts: dict[str, str | None], here: datetime, zone: ZoneInfo) -> datetime | None:
    saying = parts.get("saying")
    day = here.date()
    clock = MORNING if saying == "this morning" else here.time() if saying else time(12, 0)
    if saying == "yesterday":
        day -= timedelta(days=1)
    if parts.get("day"):
        month = int(parts.get("month") or 0) or _MONTHS.get((parts.get("name") or "")[:3], 0)
        if not month:
            return None
        day = date(int(parts.get("year") or here.year), month, int(parts["day"] or 0))
    if parts.get("hour"):
        clock = time(int(parts["hour"] or 0), int(parts["minute"] or 0), int(parts["second"] or 0))
    return datetime.combine(day, clock.replace(tzinfo=None), zone)
