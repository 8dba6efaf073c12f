"""Every page of the example lab that a person can click to answers, and says that the lab is invented."""

from __future__ import annotations

import html
import re
from collections import Counter, deque
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pytest
from starlette.testclient import TestClient

from app.settings import Settings
from app.web.app import create_app

LINK = re.compile(r'\s(?:href|src)="([^"#]+)')
EACH = 2
"""Pages of one pattern that are looked at."""


def pattern(path: str) -> str:
    """Pages of one kind share it: codes and numbers left out, as are the values of a query."""
    parts = urlsplit(path)
    steps = ["*" if re.search(r"[\dA-Z_]", step) else step for step in parts.path.split("/")]
    if "ranges" in steps:
        steps[-1] = "*"
    names = sorted({pair.partition("=")[0] for pair in parts.query.split("&")})
    return "/".join(steps) + "?" + "&".join(names)


def links(address: str, page: str) -> list[str]:
    """Where a page leads inside the lab."""
    found = [urljoin(address, html.unescape(link)) for link in LINK.findall(page)]
    here = urlsplit(address).netloc
    return [link for link in dict.fromkeys(found) if urlsplit(link).netloc == here]


@pytest.fixture(scope="module")
def pages(example_folder: Path) -> dict[str, tuple[int, str, str]]:
    """Status, kind and text by address of what links reach from the first page, a few of each pattern."""
    settings = Settings(data=example_folder)
    seen: Counter[str] = Counter()
    answers: dict[str, tuple[int, str, str]] = {}
    with TestClient(create_app(settings), base_url="http://127.0.0.1:8000", raise_server_exceptions=False) as client:
        waiting = deque(["http://127.0.0.1:8000/"])
        while waiting:
            address = waiting.popleft()
            if address in answers or seen[pattern(address)] >= EACH:
                continue
            seen[pattern(address)] += 1
            answer = client.get(address)
            kind = answer.headers.get("content-type", "").partition(";")[0]
            text = answer.text if kind == "text/html" else ""
            answers[address] = (answer.status_code, kind, text)
            waiting.extend(links(str(answer.url), text))
    return answers


def test_no_link_leads_nowhere(pages: dict[str, tuple[int, str, str]]) -> None:
    """Each page, picture and file that is linked answers 200."""
    assert len(pages) > 30
    assert {address: status for address, (status, _, _) in pages.items() if status != 200} == {}


def test_each_page_says_that_the_lab_is_invented(pages: dict[str, tuple[int, str, str]]) -> None:
    """Nobody takes the example for somebody's records."""
    silent = [address for address, (_, _, text) in pages.items() if text and "is invented" not in text]
    assert silent == []


def test_the_pages_that_answer_the_two_questions_are_reached(pages: dict[str, tuple[int, str, str]]) -> None:
    """Log, Recipes, Yield, Lab, a wafer, a chip, a device and a scan are a few clicks from the first page."""
    reached = {urlsplit(address).path.split("/")[1] for address in pages}
    assert {"log", "recipes", "yield", "lab", "wafers", "chips", "devices", "scans"} <= reached
