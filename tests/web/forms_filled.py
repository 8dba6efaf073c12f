"""Fills in a form as a browser does: what it carries, what stands in it, and what a person types."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

if TYPE_CHECKING:
    from httpx import Response
    from starlette.testclient import TestClient

UNSENT = ("checkbox", "radio", "file")
"""Inputs a browser sends only when they were chosen."""


class _Fields(HTMLParser):
    """Collects the fields of the page's own form (the one that carries a key)."""

    def __init__(self) -> None:
        super().__init__()
        self.values: dict[str, str] = {}
        self.action = ""
        self._form: dict[str, str] | None = None
        self._found: dict[str, str] = {}
        self._select = ""
        self._area = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        name = given.get("name", "")
        if tag == "form":
            self._form, self._found = given, {}
        elif tag == "input" and name and (given.get("type") not in UNSENT or "checked" in given):
            self._found[name] = given.get("value", "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and self._select:
            if "selected" in given or self._select not in self._found:
                self._found[self._select] = given.get("value", "")
        elif tag == "textarea":
            self._area = name
            self._found[name] = ""

    def handle_data(self, data: str) -> None:
        if self._area:
            self._found[self._area] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self._select = ""
        elif tag == "textarea":
            self._area = ""
        elif tag == "form" and self._form is not None:
            if "_key" in self._found and not self.values:
                self.values, self.action = self._found, self._form.get("action", "")
            self._form = None


def fields_of(page: str) -> dict[str, str]:
    """Everything the page's form would send as it stands."""
    parser = _Fields()
    parser.feed(page)
    return parser.values


def hidden_of(page: str) -> dict[str, str]:
    """What the form carries for itself."""
    return {name: value for name, value in fields_of(page).items() if name.startswith("_")}


def send(client: TestClient, path: str, **typed: str) -> Response:
    """Open the form at `path`, type, and send it to where it says."""
    parser = _Fields()
    parser.feed(client.get(path).text)
    action = parser.action or urlsplit(path).path
    return client.post(action, data={**parser.values, **typed})
