"""The frame of every page and the parts pages are made of."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pytest
from jinja2 import UndefinedError
from starlette.requests import Request
from starlette.testclient import TestClient

from app import resources
from app.settings import Settings
from app.web.app import create_app
from app.web.render import FrameFacts, json_script, make_environment, page
from tests.web.specimen import NOW, PATH, ZONE, add_specimen, show_whole_frame

if TYPE_CHECKING:
    from playwright.sync_api import Page

HERE = "http://127.0.0.1:8000"
THEMES = ("light", "dark", "yellow-room")


@pytest.fixture
def specimen(settings: Settings) -> Iterator[TestClient]:
    """A client of the specimen, in the whole frame."""
    app = show_whole_frame(add_specimen(create_app(settings)))
    with TestClient(app, base_url=HERE, follow_redirects=False) as client:
        yield client


def test_nothing_is_inline(specimen: TestClient) -> None:
    """No style attribute, no style element, no script of code, no handler: the policy would block each."""
    html = specimen.get(PATH).text
    assert not re.search(r"<[^>]+\sstyle=", html)
    assert "<style" not in html
    assert not re.search(r"<[^>]+\son[a-z]+=", html)
    assert all("src=" in tag or 'type="application/json"' in tag for tag in re.findall(r"<script[^>]*>", html))


def test_everything_a_page_loads_is_there_and_kept(specimen: TestClient) -> None:
    """Style sheets, scripts and fonts come from this server, each with its digest, and may be kept for ever."""
    html = specimen.get(PATH).text
    loaded = re.findall(r'(?:src|href)="(/static/[^"]+)"', html)
    assert len(loaded) >= 12
    for address in loaded:
        answer = specimen.get(address)
        assert answer.status_code == 200, address
        assert "immutable" in answer.headers["cache-control"]
    assert not re.findall(r'(?:src|href)="https?://', html)


def test_what_people_typed_is_escaped(specimen: TestClient) -> None:
    """Text from a form stands as it was typed, never as markup."""
    html = specimen.get(PATH).text
    assert "&lt;b&gt;kept as typed&lt;/b&gt;" in html
    assert "<b>kept as typed" not in html


def test_only_pages_that_exist_are_in_the_head(client: TestClient, specimen: TestClient) -> None:
    """A way to a page that is not there is not offered; the whole frame marks the current one."""
    html = specimen.get(PATH).text
    assert [word for word in ("In hand", "Log", "Recipes", "Yield", "History", "Lab") if f">{word}</a>" in html]
    for word, path in (("Drift", "/drift"), ("Plan", "/plan")):
        there = client.get(path).status_code != 404
        assert (f">{word}</a>" in client.get("/no-such-page").text) == there


def test_who_is_logging_stands_in_the_head(settings: Settings, specimen: TestClient) -> None:
    """Initials where somebody is, a cell that asks where nobody is; the form carries the person it was opened with."""
    html = specimen.get(PATH).text
    assert '<span class="who">TVE</span>' in html
    assert 'name="_operator" value="1"' in html
    assert "every name, code and figure here is invented" in html
    app = show_whole_frame(add_specimen(create_app(settings)), FrameFacts())
    with TestClient(app, base_url=HERE) as client:
        html = client.get(PATH).text
    assert 'class="person nobody"' in html
    assert 'name="_operator" value=""' in html


def test_every_form_has_a_key_of_its_own(specimen: TestClient) -> None:
    """One submission, once: opening the form again gives another key."""
    keys = {re.findall(r'name="_key" value="([^"]+)"', specimen.get(PATH).text)[0] for _ in range(2)}
    assert len(keys) == 2


def test_fields_say_what_was_understood(specimen: TestClient) -> None:
    """Decimal comma and units are shown as understood, departures with the recipe's value, errors at their field."""
    html = specimen.get(PATH).text
    assert "2.70\u00a0W" in html
    assert "recipe 2.60" in html
    assert "0,1 mm = 100\u00a0µm" in html
    assert 'id="f-bursts" name="bursts" aria-describedby="h-bursts" aria-invalid="true"' in html
    assert 'href="#f-bursts"' in html
    assert '<input type="checkbox" name="_keep" value="exposure_s">' in html


def test_the_theme_is_the_machines_own(specimen: TestClient) -> None:
    """The switch posts, leads back to its page and is remembered; a theme that is not there is not taken."""
    answer = specimen.post("/theme", data={"theme": "yellow-room", "back": PATH}, headers={"origin": HERE})
    assert (answer.status_code, answer.headers["location"]) == (303, PATH)
    html = specimen.get(PATH).text
    assert 'data-theme="yellow-room"' in html
    assert "not a safelight" in html
    specimen.post("/theme", data={"theme": "neon"}, headers={"origin": HERE})
    assert 'data-theme="light"' in specimen.get(PATH).text


def test_a_context_is_whole_or_the_page_fails(client: TestClient) -> None:
    """A name the context lacks is a bug that shows in tests, not a blank on the page."""

    @dataclass(frozen=True)
    class Bare:
        title: str

    request = Request({"type": "http", "method": "GET", "path": "/", "headers": [], "app": client.app})
    with pytest.raises(UndefinedError):
        page(request, "errors/said.html", Bare("x"))
    with pytest.raises(TypeError):
        page(request, "errors/said.html", {"title": "x"})


@pytest.mark.parametrize(
    ("template", "shown"),
    [
        ("{{ 1.44e8 | q(1.41e8, 1.47e8) }}", '<span class="q">1.44 <span class="pow">× 10⁸</span></span>'),
        ("{{ none | quantity('power_w') }}", "not measured"),
        ("{{ 2.7 | quantity('power_w') }}", '2.70\u00a0<span class="unit">W</span>'),
        ("{{ now | when }}", '<time datetime="2026-03-12T10:42:00+01:00">12 Mar 2026 10:42</time>'),
        ("{{ '<b>' }}", "&lt;b&gt;"),
    ],
)
def test_figures_and_instants_of_a_page(template: str, shown: str) -> None:
    """Q in powers of ten, unit plain behind the value, instants in the lab's zone, text escaped whatever its ending."""
    assert shown in make_environment(ZONE).from_string(template).render(now=NOW)


def test_json_in_a_page_cannot_end_its_element() -> None:
    """A device called </script> stays data."""
    assert "<" not in json_script({"code": "</script><script>alert(1)</script>"})


def test_no_blue_in_the_no_blue_theme() -> None:
    """Every colour of the yellow-room tokens and of its charts has a blue channel of nothing."""
    tokens = (resources.static() / "css" / "tokens.css").read_text(encoding="utf-8")
    block = tokens.partition(':root[data-theme="yellow-room"] {')[2].partition("}")[0]
    colours = re.findall(r"#([0-9a-f]{6})", block)
    assert len(colours) > 40
    assert {colour[4:] for colour in colours} == {"00"}


def _contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2: (L1 + 0.05) / (L2 + 0.05) with relative luminances of sRGB."""

    def luminance(colour: str) -> float:
        channels = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", THEMES)
def test_words_can_be_read_in_every_theme(theme: str) -> None:
    """WCAG 2.2 AA: words 4.5 to their ground, edges of controls and the focus ring 3."""
    text = (resources.static() / "css" / "tokens.css").read_text(encoding="utf-8")
    start = ":root {" if theme == "light" else f':root[data-theme="{theme}"] {{'
    token = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", text.partition(start)[2].partition("\n}")[0]))
    grounds = ("plate", "sheet", "well", "band")
    pairs = [(ink, ground) for ink in ("ink", "ink-2", "glass", "glow", "break") for ground in grounds]
    pairs += [(f"on-{colour}", colour) for colour in ("glass", "glow", "break")]
    pairs += [(ink, f"{wash}-wash") for ink in ("ink", "ink-2") for wash in ("glass", "glow", "break")]
    pairs += [(colour, f"{colour}-wash") for colour in ("glass", "glow", "break")]
    pairs += [("caution-ink", "caution-wash")] + [(f"on-seq-{n}", f"seq-{n}") for n in range(1, 10)]
    low = {pair: _contrast(token[pair[0]], token[pair[1]]) for pair in pairs}
    assert {pair: ratio for pair, ratio in low.items() if ratio < 4.5} == {}
    edges = {ground: _contrast(token["edge"], token[ground]) for ground in grounds}
    assert min(edges.values()) >= 3
    assert min(_contrast(token["focus"], token[ground]) for ground in (*grounds, "glass-wash")) >= 3


@pytest.fixture
def specimen_address(settings: Settings, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> str:
    """The specimen served for a browser."""
    import app.web.app as web

    plain = web.create_app
    monkeypatch.setattr(web, "create_app", lambda given: show_whole_frame(add_specimen(plain(given))))
    return f"{request.getfixturevalue('live_server')}{PATH}"


@pytest.mark.browser
@pytest.mark.parametrize("theme", THEMES)
def test_the_parts_hold_in_a_browser(specimen_address: str, page: Page, theme: str) -> None:
    """At a desk's and a phone's width nothing overflows or breaks the policy; no-blue pages put out no blue."""
    from PIL import Image

    page.context.add_cookies([{"name": "marver_theme", "value": theme, "url": specimen_address}])
    for width in (1440, 390):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(specimen_address, wait_until="networkidle")
        overflow: Any = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert overflow == 0
        page.wait_for_selector("figure.chart .live svg")
        if theme == "yellow-room":
            with Image.open(io.BytesIO(page.screenshot())) as seen:
                assert seen.convert("RGB").getchannel("B").getextrema() == (0, 0)


@pytest.mark.browser
def test_a_code_read_anywhere_goes_to_the_code_field(specimen_address: str, page: Page) -> None:
    """A code reader types and ends with Enter; outside a field that opens the piece."""
    page.goto(specimen_address, wait_until="networkidle")
    page.locator("h1").click()
    page.keyboard.type("W012-2-0407", delay=5)
    page.keyboard.press("Enter")
    page.wait_for_url("**/find?code=W012-2-0407")


@pytest.mark.browser
def test_the_grid_moves_and_fills_by_keyboard(specimen_address: str, page: Page) -> None:
    """Enter goes down a column, Ctrl D repeats a value below."""
    page.goto(specimen_address, wait_until="networkidle")
    page.locator("#f-r0-exposure_s").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.name") == "r1-exposure_s"
    page.keyboard.type("4.2")
    page.keyboard.press("Control+d")
    assert page.locator("#f-r3-exposure_s").input_value() == "4.2"


@pytest.mark.browser
def test_paper_is_black_on_white_whatever_the_theme(specimen_address: str, page: Page) -> None:
    """Printed from the yellow room, controls go, cautions and title block stay, charts are the print ones."""
    page.context.add_cookies([{"name": "marver_theme", "value": "yellow-room", "url": specimen_address}])
    page.goto(specimen_address, wait_until="networkidle")
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    for gone in ("header.top", ".savebar", "button.do", "figure.chart .drawn", ".foot"):
        assert not page.locator(gone).first.is_visible(), gone
    for stays in ("dl.block", "aside.caution", "svg.map", "figure.chart .on-paper svg"):
        assert page.locator(stays).first.is_visible(), stays


@pytest.mark.browser
def test_what_stands_on_a_form_survives_a_reload(specimen_address: str, page: Page) -> None:
    """Reloaded, a form holds what was typed and says so; started afresh, it is as it was."""
    address = specimen_address.replace(PATH, "/blank")
    page.goto(address, wait_until="networkidle")
    page.locator("#f-etch_s").fill("19 min 30 s")
    page.reload(wait_until="networkidle")
    assert page.locator("#f-etch_s").input_value() == "19 min 30 s"
    page.get_by_role("button", name="Start afresh").click()
    page.wait_for_load_state("networkidle")
    assert page.locator("#f-etch_s").input_value() == ""


@pytest.mark.browser
def test_back_and_again_sends_the_same_key(specimen_address: str, page: Page) -> None:
    """Sent, gone back and sent again, a form has one key, so that it is saved once; a form opened anew has another."""
    address = specimen_address.replace(PATH, "/blank")
    keys = []
    for _ in range(2):
        if keys:
            page.go_back(wait_until="networkidle")
        else:
            page.goto(address, wait_until="networkidle")
            page.locator("#f-etch_s").fill("90")
        assert page.locator("#f-etch_s").input_value() == "90"
        page.get_by_role("button", name="Save").click()
        page.wait_for_url("**/kept*")
        keys.append(page.url.partition("key=")[2])
    assert keys[0] == keys[1]
    page.goto(address, wait_until="networkidle")
    assert page.locator("[name=_key]").input_value() != keys[0]
    assert page.locator("#f-etch_s").input_value() == ""
