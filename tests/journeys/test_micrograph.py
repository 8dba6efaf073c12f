"""A micrograph measured in a browser: three clicks give an outline, nothing the policy forbids, no blue in yellow."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Page, expect
from scipy.ndimage import gaussian_filter

from app.actions.taking import take_sites
from app.db.models.material import Piece
from app.db.session import Database
from tests.log_lab import LogLab
from tests.simulated_micrographs import covered

pytestmark = pytest.mark.browser


def test_an_outline_is_mended_by_three_clicks(page: Page, live_server: str, database: Database, tmp_path: Path) -> None:
    """Uploaded, looked at, the pillar's edge clicked at three places, looked at again and kept."""
    lab = LogLab(database, datetime.now(UTC))
    lab.exposed()
    with lab.deed() as w:
        take_sites(w, w.session.get_one(Piece, lab.wafer), 1, [(1, 1)], done_at=lab.ago(days=1))
    shape = (240, 320)
    drawn = 0.3 + 0.4 * covered(shape, 160.0, 120.0, 90.0) - 0.3 * covered(shape, 160.0, 120.0, 35.0)
    picture = gaussian_filter(drawn, 1.5) + 0.01 * np.random.default_rng(1).standard_normal(shape)
    file = tmp_path / "disc.png"
    Image.fromarray(np.clip(picture * 255, 0, 255).astype(np.uint8)).save(file)
    page.goto(f"{live_server}/devices/W001-1-0101/micrographs/new")
    page.set_input_files("#f-file", str(file))
    page.fill("#f-um_per_px", "0.5")
    page.click("text=Find the outlines")
    expect(page.locator("svg.micrograph ellipse.line")).to_have_count(2)
    assert 89.9 < float(page.input_value("#f-disc_um")) < 90.1
    box = page.locator("svg.micrograph").bounding_box()
    assert box is not None
    # The picture is fitted into its box whole, so one scale serves both ways.
    scale = min(box["width"] / 320, box["height"] / 240)
    left, top = box["x"] + (box["width"] - 320 * scale) / 2, box["y"] + (box["height"] - 240 * scale) / 2
    for x, y in ((195, 120), (160, 85), (125, 120)):
        page.mouse.click(left + (x + 0.5) * scale, top + (y + 0.5) * scale)
    assert page.input_value("#f-outer").count(";") == 2
    page.click("text=Look again")
    assert 34.9 < float(page.input_value("#f-disc_um")) < 35.1
    page.context.add_cookies([{"name": "marver_theme", "value": "yellow-room", "url": live_server}])
    page.goto(f"{live_server}/devices/W001-1-0101/micrographs/new")
    page.set_input_files("#f-file", str(file))
    page.fill("#f-um_per_px", "0.5")
    page.click("text=Find the outlines")
    shot = Image.open(io.BytesIO(page.locator("svg.micrograph").screenshot())).convert("RGB")
    assert int(np.asarray(shot)[..., 2].max()) == 0
    page.select_option("#f-_operator", "1")
    page.click("text=Keep sizes and picture")
    expect(page.locator("text=Sizes and picture are kept")).to_be_visible()
