"""Every kind of page of the example lab in a browser, in each theme: findings, policy, width, labels, focus, blue."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from app.cli.screens import THEMES, served
from app.settings import Settings
from tests.journeys.every_page import findings, paths_of, sideways, too_small, unseen_focus, without_label

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def paths(example_folder: Path) -> list[str]:
    """One path for each kind of page."""
    from starlette.testclient import TestClient

    from app.web.app import create_app

    app = create_app(Settings(data=example_folder))
    with TestClient(app, base_url="http://127.0.0.1:8000") as client:
        return paths_of(client, sorted(app.state.frame.paths))


@pytest.fixture(scope="module")
def example(example_folder: Path) -> Iterator[str]:
    """The example lab, served; its address."""
    with served(Settings(data=example_folder)) as (address, _):
        yield address


def themed(browser: Browser, address: str, theme: str) -> tuple[Page, list[str]]:
    """A page in a theme, and the list that policy violations and script errors are put in."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    context.add_cookies([{"name": "marver_theme", "value": theme, "url": address}])
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(f"script error: {error}"))
    page.on("console", lambda line: wrong.append(line.text) if line.type == "error" else None)
    page.add_init_script(
        "addEventListener('securitypolicyviolation', e => console.error('policy: ' + e.violatedDirective))"
    )
    return page, wrong


@pytest.mark.parametrize("theme", THEMES)
def test_no_page_has_a_serious_fault(browser: Browser, example: str, paths: list[str], theme: str) -> None:
    """axe finds nothing serious, the policy and scripts hold, nothing is scrolled sideways, controls are labelled."""
    page, wrong = themed(browser, example, theme)
    faults: dict[str, list[str]] = {}
    for path in paths:
        page.goto(example + path)
        missing = "NO-SUCH" in path
        here = [*findings(page), *sideways(page), *without_label(page), *too_small(page)]
        here += [each for each in wrong if not (missing and "404" in each)]
        wrong.clear()
        if here:
            faults[path] = here
    page.context.close()
    assert len(paths) > 60
    assert faults == {}


@pytest.mark.parametrize("theme", THEMES)
def test_the_focus_is_seen(browser: Browser, example: str, theme: str) -> None:
    """Whoever tabs through a page sees at each stop where they are."""
    page, _ = themed(browser, example, theme)
    for path in ("/log/oxide-etch?pieces=W012", "/recipes", "/log/undercut-measurement?pieces=W011-A"):
        page.goto(example + path)
        reached, unseen = unseen_focus(page, presses=45)
        assert reached > 15, path
        assert unseen == [], path
    page.context.close()


def test_the_yellow_room_theme_puts_out_no_blue(browser: Browser, example: str, paths: list[str]) -> None:
    """Not one pixel has a blue part: form, grid, chart, map, table, missing page."""
    page, _ = themed(browser, example, "yellow-room")
    looked = [path for path in paths if path.startswith(("/wafers/", "/scans/", "/yield", "/history"))]
    blue: dict[str, int] = {}
    for path in ("/", "/log/undercut-measurement?pieces=W011-A", "/recipes", *looked):
        page.goto(example + path)
        page.wait_for_load_state("networkidle")
        with Image.open(io.BytesIO(page.screenshot(full_page=True))) as picture:
            most = int(np.asarray(picture.convert("RGB"))[..., 2].max())
        if most:
            blue[path] = most
    page.context.close()
    assert len(looked) > 5
    assert blue == {}
