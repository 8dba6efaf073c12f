"""What tests stand on: no network, a database of their own, a page that tells of broken policies."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import text

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from app.db.session import Database


def test_tests_reach_no_network() -> None:
    """A connection to anywhere but loopback is stopped before it leaves."""
    with pytest.raises(PermissionError, match="only loopback"):
        socket.create_connection(("192.0.2.1", 80), timeout=1)


def test_each_test_has_an_empty_lab(either_database: Database) -> None:
    """The schema is there and nothing is in it."""
    with either_database.reading() as session:
        assert session.scalar(text("SELECT count(*) FROM piece")) == 0
        assert session.scalar(text("SELECT count(*) FROM audit_entry")) == 0


@pytest.mark.browser
def test_pages_are_watched(page: Page, live_server: str) -> None:
    """The application answers a real browser on loopback."""
    page.goto(f"{live_server}/alive")
    assert "alive" in page.content()
