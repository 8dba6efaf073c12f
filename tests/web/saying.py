"""Reading a page as a person does: its words, what stands in a field, where a save leads."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

from starlette.testclient import TestClient


def said(response: Any) -> str:
    """What a page says, without its markup."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", response.text)).split())


def value_of(response: Any, name: str) -> str:
    """What stands in a field of the page."""
    found = re.search(rf'name="{name}"[^>]*? value="([^"]*)"', response.text)
    return unescape(found[1]) if found else ""


def follow(client: TestClient, response: Any) -> Any:
    """Go where a save led."""
    assert response.status_code == 303, said(response)
    shown = client.get(response.headers["location"])
    assert shown.status_code == 200
    return shown
