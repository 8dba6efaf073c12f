"""Instants as a person says them, in the lab's zone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.when import Instant, NoInstant, instant_text, read_when

ZONE = ZoneInfo("Europe/Vienna")
NOW = datetime(2026, 3, 12, 9, 42, tzinfo=UTC)  # 10:42 in Vienna


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("now", "12 Mar 2026 10:42"),
        ("20 min ago", "12 Mar 2026 10:22"),
        ("2 h ago", "12 Mar 2026 08:42"),
        ("this morning", "12 Mar 2026 09:00"),
        ("yesterday", "11 Mar 2026 10:42"),
        ("yesterday 16:05", "11 Mar 2026 16:05"),
        ("today at 8:10", "12 Mar 2026 08:10"),
        ("8:10", "12 Mar 2026 08:10"),
        ("2026-01-30T23:59", "30 Jan 2026 23:59"),
        ("2026-01-30 07:05:30", "30 Jan 2026 07:05"),
        ("30.1.2026 7:05", "30 Jan 2026 07:05"),
        ("30 Jan 2026 07:05", "30 Jan 2026 07:05"),
        ("30 January 07:05", "30 Jan 2026 07:05"),
        ("2026-01-30", "30 Jan 2026 12:00"),
    ],
)
def test_sayings_and_dates(text: str, shown: str) -> None:
    """What is understood is shown in the lab's own time."""
    read = read_when(text, NOW, ZONE)
    assert isinstance(read, Instant), read
    assert read.understood == shown
    assert read.at.tzinfo is UTC


def test_hours_are_counted_through_a_change_of_clocks() -> None:
    """Two hours ago is two hours of elapsed time, also in the night the clocks go forward (29 March 2026)."""
    now = datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    read = read_when("2 h ago", now, ZONE)
    assert isinstance(read, Instant)
    assert now - read.at == timedelta(hours=2)
    assert read.understood == "29 Mar 2026 00:30"


@pytest.mark.parametrize("text", ["", "soon", "2026-02-30", "25:10", "31 Xyz 2026", "9999 d ago x", "12"])
def test_what_is_no_instant_is_said(text: str) -> None:
    """An impossible day or an unknown word is refused with what would do."""
    assert isinstance(read_when(text, NOW, ZONE), NoInstant)


@given(st.text(max_size=40))
def test_any_text_is_answered(text: str) -> None:
    """Whatever is typed is an instant or a sentence, never a crash."""
    assert read_when(text, NOW, ZONE)


@given(st.datetimes(datetime(2001, 1, 1), datetime(2090, 1, 1), timezones=st.just(UTC)))
def test_what_is_shown_can_be_typed_again(at: datetime) -> None:
    """The text of an instant reads back to the same minute, but for the hour that comes twice in autumn."""
    at = at.replace(second=0, microsecond=0)
    read = read_when(instant_text(at, ZONE), NOW, ZONE)
    assert isinstance(read, Instant)
    assert read.at in (at, at - timedelta(hours=1))
