"""`marver screens DIR`: pictures of every page of a lab, in every theme and at two widths.

Starts at the first page and follows links; of pages that share one address pattern it takes the first found
(and the ones named with --also). Needs Playwright and a Chromium; they are not part of the run-time install.
"""

from __future__ import annotations

import argparse
import re
import shutil
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from app.settings import BadSetting, read_settings

if TYPE_CHECKING:
    from playwright.sync_api import Page

THEMES = ("light", "dark", "yellow-room")
WIDTHS = {"wide": 1440, "phone": 390}
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
ADDRESSES = "all => all.map(a => new URL(a.getAttribute('href'), location).href)"
SCREENFUL_PX = 1100
TALLEST_PX = 6000
"""A picture is cut here; a longer page shows nothing new."""


def add_parser(subparsers: Any) -> None:
    """`marver screens`."""
    parser = subparsers.add_parser(
        "screens",
        help="take pictures of every page, in every theme, wide and phone",
        description="Takes pictures of every page of a lab, in every theme, wide and phone.",
        epilog="Example: marver screens pictures --data example-lab --theme light --width wide",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("folder", type=Path, help="where the pictures go")
    parser.add_argument("--data", help="the lab's data folder (or MARVER_DATA)")
    parser.add_argument("--theme", choices=THEMES, action="append", help="only this theme; may be given twice")
    parser.add_argument("--width", choices=tuple(WIDTHS), action="append", help="only this width; may be given twice")
    parser.add_argument(
        "--also", action="append", default=[], metavar="PATH", help="take this page too, as /yield?by=month"
    )
    parser.add_argument("--only", action="store_true", help="take only the pages named with --also")
    parser.add_argument("--person", type=int, metavar="ID", help="log as this person in the pictures")
    parser.add_argument("--small", action="store_true", help="only the first screenful, in few colours, for a text")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Take the pictures and print what was taken."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        print("marver screens: needs Playwright: pip install 'marver[test]', and a Chromium.", file=sys.stderr)
        return 2
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        print("marver screens: no Chromium on this machine.", file=sys.stderr)
        return 2
    try:
        settings = read_settings().with_data(args.data)
    except BadSetting as why:
        print(f"marver screens: {why}", file=sys.stderr)
        return 2
    if not settings.database_url and not (settings.data / "marver.sqlite").exists():
        print(f"marver screens: there is no lab in {settings.data}.", file=sys.stderr)
        return 2
    args.folder.mkdir(parents=True, exist_ok=True)
    with served(settings) as (address, patterns), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        page = browser.new_page(viewport={"width": WIDTHS["wide"], "height": 900})
        paths = list(args.also) if args.only else [*_every_page(page, address, patterns), *args.also]
        for theme in args.theme or THEMES:
            for width in args.width or tuple(WIDTHS):
                taken = _take(browser, address, paths, theme, width, args.folder, args.person)
                if args.small:
                    _shrink(taken)
        browser.close()
    print(f"{len(paths)} pages in {args.folder}")
    return 0


@contextmanager
def served(settings: Any) -> Iterator[tuple[str, list[str]]]:
    """Serve the lab on a free loopback port; gives its address and the patterns of its pages."""
    import uvicorn

    from app.web.app import create_app

    app = create_app(settings)
    listener = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="error", ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        while not server.started:
            if not thread.is_alive():
                raise RuntimeError("the server did not start")
            time.sleep(0.01)
        yield f"http://127.0.0.1:{listener.getsockname()[1]}", sorted(app.state.frame.paths)
    finally:
        server.should_exit = True
        thread.join()
        listener.close()


def _every_page(page: Page, address: str, patterns: list[str]) -> list[str]:
    """One path for each address pattern that links lead to, in the order they are found."""
    compiled = [(pattern, re.compile(re.sub(r"\{[^}]+\}", "[^/]+", pattern) + "$")) for pattern in patterns]
    found: dict[str, str] = {}
    waiting, seen = deque(["/"]), {"/"}
    while waiting:
        path = waiting.popleft()
        pattern = _pattern_of(path, compiled)
        if pattern is None or pattern in found:
            continue
        answer = page.request.get(address + path)
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        page.goto(address + path)
        landed = page.url.removeprefix(address) or "/"
        found.setdefault(_pattern_of(landed, compiled) or pattern, landed)
        found.setdefault(pattern, landed)
        links: list[str] = page.eval_on_selector_all("a[href]:not([download])", ADDRESSES)
        for link in links:
            plain = link.split("#")[0].removeprefix(address)
            if link.startswith(address) and plain not in seen:
                seen.add(plain)
                waiting.append(plain)
    return list(dict.fromkeys(found.values()))


def _pattern_of(path: str, compiled: list[tuple[str, re.Pattern[str]]]) -> str | None:
    plain = urlsplit(path).path
    exact = [pattern for pattern, _ in compiled if pattern == plain]
    fitting = exact or [pattern for pattern, regex in compiled if regex.match(plain)]
    return fitting[0] if fitting and not fitting[0].startswith("/static") else None


def _shrink(pictures: list[Path]) -> None:
    """Cut to the first screenful and reduce to few colours."""
    from PIL import Image

    for picture in pictures:
        with Image.open(picture) as whole:
            first = whole.crop((0, 0, whole.width, min(whole.height, SCREENFUL_PX))).convert("RGB")
        smaller = first.resize((first.width * 2 // 3, first.height * 2 // 3), Image.Resampling.LANCZOS)
        smaller.quantize(128, method=Image.Quantize.MAXCOVERAGE).save(picture, optimize=True)


def _take(
    browser: Any, address: str, paths: list[str], theme: str, width: str, folder: Path, person: int | None
) -> list[Path]:
    from app.web.frame import PERSON_COOKIE
    from app.web.render import THEME_COOKIE

    context = browser.new_context(viewport={"width": WIDTHS[width], "height": 900})
    context.add_cookies([{"name": THEME_COOKIE, "value": theme, "url": address}])
    if person is not None:
        context.add_cookies([{"name": PERSON_COOKIE, "value": f"{person}.{int(time.time())}", "url": address}])
    page = context.new_page()
    taken: list[Path] = []
    for path in paths:
        page.goto(address + path)
        page.wait_for_load_state("networkidle")
        height = min(TALLEST_PX, page.evaluate("document.documentElement.scrollHeight"))
        # With all of it in sight, what sticks to the lower edge of a screen stands at its own place.
        page.set_viewport_size({"width": WIDTHS[width], "height": height})
        name = re.sub(r"[^A-Za-z0-9]+", "-", path).strip("-") or "first"
        picture = folder / f"{name}.{theme}.{width}.png"
        clip = {"x": 0, "y": 0, "width": WIDTHS[width], "height": height}
        page.screenshot(path=str(picture), clip=clip, full_page=True)
        page.set_viewport_size({"width": WIDTHS[width], "height": 900})
        taken.append(picture)
    context.close()
    return taken
