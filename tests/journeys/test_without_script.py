"""With JavaScript off: every kind of page answers and is read, and a run is logged from form to form."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.journeys.test_first_lab import make_discs, melt, set_up
from tests.journeys.walker import Walker

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser


def test_a_run_is_logged_without_script(browser: Browser, live_server: str) -> None:
    """From an empty lab to melted discs and their place in Yield."""
    context = browser.new_context(java_script_enabled=False)
    walk = Walker(context.new_page(), live_server)
    set_up(walk)
    make_discs(walk)
    melt(walk, "W001-A", ["good", "good", "off_centre", "good"])
    walk.open("/yield?kind=microtoroid")
    assert "3 of 4" in walk.text() or "75 %" in walk.text()
    for path in ("/", "/wafers/W001", "/chips/W001-A", "/devices/W001-1-0301", "/recipes", "/lab", "/history"):
        walk.open(path)
        assert walk.page.locator("h1").inner_text(), path
    context.close()
