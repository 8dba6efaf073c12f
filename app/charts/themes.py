"""Chart themes: one Vega-Lite config per theme of the pages, made from the same tokens."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from app import resources

THEMES = ("light", "dark", "yellow-room", "print")


@cache
def _all() -> dict[str, Any]:
    read: dict[str, Any] = json.loads((resources.static() / "charts.json").read_text(encoding="utf-8"))
    return read


def config(theme: str) -> dict[str, Any]:
    """The `config` of a specification in `theme`: light, dark, yellow-room or print."""
    if theme not in THEMES:
        raise ValueError(f"no chart theme is called {theme!r}")
    found: dict[str, Any] = _all()[theme]
    return found


def ramp(theme: str) -> list[str]:
    """Nine steps, even in lightness, low to high."""
    steps: list[str] = config(theme)["range"]["ramp"]
    return steps


def dashes() -> list[list[int]]:
    """Six dash patterns, one for each kind, so that colour is never alone."""
    patterns: list[list[int]] = _all()["dashes"]
    return patterns
