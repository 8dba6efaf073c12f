"""A new lab's first day in a browser: a wafer and a fibre end of one's own, from nothing to their place in Yield."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from app.cli.main import main
from tests.journeys.walker import Walker, scan_file

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from app.settings import Settings

pytestmark = pytest.mark.browser


def set_up(walk: Walker) -> None:
    """Who, tools, mask, spool, pieces, recipe: in the order the first page leads."""
    walk.open("/")
    walk.page.get_by_role("link", name="Begin").click()
    walk.page.get_by_role("link", name="Say who you are").click()
    walk.put(initials="AK", name="Ada Kestrel")
    walk.save("Save this person")
    walk.open("/start")
    walk.page.get_by_role("link", name="Add the CO₂ laser").click()
    walk.put(code="CO2", name="Reflow laser")
    walk.save("Save this tool")
    walk.open("/start")
    walk.page.get_by_role("link", name="Describe a mask").click()
    walk.put(code="PIN-1", plate_mm="125")
    walk.row(1, rows="6", columns="10", disc_um="90", pitch_x_um="0,4 mm", pitch_y_um="400")
    walk.save("Save this mask")
    walk.open("/start")
    walk.page.get_by_role("link", name="Add a fibre spool").click()
    walk.put(code="SPOOL-1", cladding_um="125")
    walk.save("Save this lot")
    walk.open("/start")
    walk.page.get_by_role("link", name="Register a wafer").click()
    walk.put(code="W001", oxide_um="2,0")
    walk.save("Register this wafer")
    walk.open("/start")
    walk.page.get_by_role("link", name="Reflow", exact=True).click()
    walk.put(name="Rim melt", dialled="10 W", dial_unit="W", exposure_s="2", planned_shots="2")
    walk.save("Save version 1")
    walk.open("/start")
    assert "5 of 5 done" in walk.text()


def make_discs(walk: Walker) -> None:
    """Lithography to undercut, a chip parted off, discs measured."""
    walk.open("/log/lithography?pieces=W001")
    walk.put(array_ids="1", lamp_mw_cm2="12", uv_exposure_s="8,5 s")
    walk.save("Log lithography")
    walk.open("/wafers/W001/take")
    walk.page.locator('main [name^="sites"]').first.fill("0301-0304")
    walk.save("Take in hand")
    walk.open("/log/oxide-etch?pieces=W001")
    walk.put(etchant_ratio="6:1", etch_s="20 min")
    walk.save("Log oxide etch")
    assert "1 200 s" in walk.text().replace("\u202f", " "), "20 min is kept, and shown, in seconds"
    walk.open("/log/resist-strip?pieces=W001")
    walk.put(method="solvent")
    walk.save("Log resist strip")
    walk.open("/log/parting?pieces=W001")
    walk.put(method="scribe_and_cleave")
    walk.row(1, code="W001-A", sites_1="rows 1-3")
    walk.row(2, code="W001-B", sites_1="rest")
    walk.save("Save this parting")
    walk.open("/log/undercut?pieces=W001-A")
    walk.row(1, cycles="30", cycle_s="30", xef2_torr="3")
    walk.save("Log undercut")
    walk.open("/log/undercut-measurement?pieces=W001-A")
    walk.row(1, device="W001-1-0301", disc_um="90", pillar_top_x_um="38", pillar_top_y_um="38")
    walk.save("Log the measurements")


def melt(walk: Walker, piece: str, outcomes: list[str]) -> None:
    """A session at the laser, a shot on each device in map order."""
    walk.open(f"/log/reflow-session?pieces={piece}")
    walk.put(tool_id="1", spot_um="200")
    walk.save("Begin the session")
    for number, outcome in enumerate(outcomes, 1):
        walk.row(number, dialled="10 W", exposure_s="2", outcome=outcome)
    walk.page.locator("main form button.do").last.click()
    walk.page.wait_for_load_state()
    assert not walk.page.locator(".note.error, .note.ask").all_inner_texts()


def _scan(walk: Walker, device: str, content: bytes, folder: Path) -> None:
    """Upload a scan, look at what was understood, keep it, accept its fit."""
    file = folder / f"{device}.csv"
    file.write_bytes(content)
    walk.open(f"/devices/{device}/scans/new")
    walk.page.locator('main input[type="file"]').set_input_files(str(file))
    walk.put(wavelength_nm="1550.1", picked="all")
    walk.page.locator("main form button.do").last.click()
    walk.page.wait_for_load_state()
    assert "detuning" in walk.text().lower()
    walk.page.locator("main").get_by_role("button", name="Keep").first.click()
    walk.page.wait_for_load_state()
    walk.page.locator("main").get_by_role("button", name="Accept").first.click()
    walk.page.wait_for_load_state()


def test_a_wafer_and_a_fibre_end_find_their_place_in_yield(
    page: Page, live_server: str, settings: Settings, tmp_path: Path
) -> None:
    """From an empty lab to a Q with an interval, a step table and a sound chain, by the pages alone."""
    walk = Walker(page, live_server)
    set_up(walk)
    make_discs(walk)
    melt(walk, "W001-A", ["good", "good", "off_centre", "good"])
    _scan(walk, "W001-1-0301", scan_file(1.6e8, coupling=0.1, wavelength_nm=1550.1, seed=1), tmp_path)
    walk.open("/devices/W001-1-0301")
    assert "× 10⁸" in walk.text()
    walk.open("/yield?kind=microtoroid")
    told = walk.text()
    assert "Patterned" in told
    assert "3 of 4" in told or "75 %" in told, told

    walk.open("/fibres/new")
    walk.put(code="F001", ends="3")
    walk.save("Register these fibre ends")
    walk.open("/fibres/F001/take")
    walk.put(ends_words="all")
    walk.save("Take in hand")
    walk.open("/log/fibre-preparation?pieces=F001")
    walk.put(stripped_mm="20", melting="co2")
    walk.save("Log fibre preparation")
    melt(walk, "F001", ["good", "good", "gone"])
    _scan(walk, "F001-01", scan_file(3e8, coupling=0.05, wavelength_nm=1550.1, seed=2), tmp_path)
    walk.open("/yield?kind=microsphere")
    told = walk.text()
    assert "Melted" in told
    assert "2 of 3" in told or "67 %" in told, told

    walk.open("/recipes")
    assert "1550 nm" in walk.text()
    assert main(["verify", "--data", str(settings.data)]) == 0
