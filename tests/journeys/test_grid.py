"""Rows of a table at the keyboard: pasted from a spreadsheet, mended at the cell, nothing lost."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from app.actions.taking import take_sites
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Piece
from app.db.session import Database
from tests.journeys.walker import Walker
from tests.log_lab import LogLab

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser

PASTE = """text => {
  const data = new DataTransfer();
  data.setData("text/plain", text);
  const pasted = new ClipboardEvent("paste", {clipboardData: data, bubbles: true, cancelable: true});
  document.activeElement.dispatchEvent(pasted);
}"""


@pytest.fixture
def walk(page: Page, live_server: str, database: Database) -> Walker:
    """At the undercut table of a wafer with four discs in hand."""
    lab = LogLab(database, datetime.now(UTC))
    lab.exposed()
    with lab.deed() as w:
        take_sites(w, w.session.get_one(Piece, lab.wafer), 1, [(1, column) for column in range(1, 5)])
    walk = Walker(page, live_server)
    walk.open("/")
    page.locator("details.person summary").click()
    page.locator(".people button").first.click()
    walk.open("/log/undercut-measurement?pieces=W001")
    return walk


def _paste(walk: Walker, field: str, text: str) -> None:
    walk.page.locator(f'[name="{field}"]').focus()
    walk.page.evaluate(PASTE, text)


def test_a_block_from_a_spreadsheet_fills_the_table_and_is_saved(walk: Walker, database: Database) -> None:
    """Four rows of three figures, decimal commas and all, land in their cells and in the records."""
    _paste(walk, "r0-disc_um", "90,2\t38\t38\n89.8\t37\t37\n90\t36\t36\n90.1\t38.5\t38.5\n")
    walk.page.keyboard.press("Tab")
    walk.save("Log the measurements")
    with database.reading() as session:
        facts = DEVICE_FACTS.c
        rows = session.execute(select(facts.disc_um, facts.pillar_ratio).order_by(facts.device_code)).all()
    assert [row.disc_um for row in rows] == [90.2, 89.8, 90.0, 90.1]
    assert rows[0].pillar_ratio == pytest.approx(38 / 90.2)


def test_a_bad_cell_says_so_in_its_row_and_the_rest_stays(walk: Walker) -> None:
    """Words where a figure belongs are told at the cell; every other cell stands as it was typed."""
    _paste(walk, "r0-disc_um", "90\t38\t38\nninety\t37\t37\n")
    walk.page.locator("main").get_by_role("button", name="Log the measurements").click()
    walk.page.wait_for_load_state()
    assert walk.page.locator(".grid .cell.bad").count() == 1
    values = [
        walk.page.locator(f'[name="{name}"]').input_value()
        for name in ("r0-disc_um", "r1-disc_um", "r1-pillar_top_x_um")
    ]
    assert values == ["90", "ninety", "37"]


def test_lines_that_do_not_fit_are_told(walk: Walker) -> None:
    """A block longer than the table is never cut in silence."""
    _paste(walk, "r0-disc_um", "\n".join(["90\t38\t38"] * 30))
    assert "did not fit" in walk.page.locator("[data-too-many]").inner_text()


def test_enter_goes_down_and_a_figure_is_filled_down(walk: Walker) -> None:
    """Enter leads to the same column of the next row; Ctrl D fills every row below that names a device."""
    walk.page.locator('[name="r0-disc_um"]').fill("90,4")
    walk.page.keyboard.press("Enter")
    assert walk.page.evaluate("document.activeElement.name") == "r1-disc_um"
    walk.page.keyboard.press("ArrowUp")
    walk.page.keyboard.press("Control+d")
    filled = [walk.page.locator(f'[name="r{row}-disc_um"]').input_value() for row in range(5)]
    assert filled == ["90,4", "90,4", "90,4", "90,4", ""]
