"""What is looked at on every page of a lab: one path for each address pattern, and the questions put to each page."""

from __future__ import annotations

import html
import re
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from urllib.parse import urljoin, urlsplit

if TYPE_CHECKING:
    from playwright.sync_api import Page
    from starlette.testclient import TestClient

AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
"""axe-core, Deque's checks of the WCAG (MPL-2.0), as the test dependency ships it."""

WIDTHS_PX = (1440, 700, 390)
TARGET_PX = 44
"""Least target where work is logged: WCAG 2.2, 2.5.5 target size (enhanced)."""

NOT_LINKED = ("/start", "/find?code=NO-SUCH", "/wafers/NO-SUCH")
"""First steps are led to from an empty lab alone; a page that is missing is a page too."""

FINDINGS = """
() => axe.run(document, {resultTypes: ['violations']}).then(answer => answer.violations
  .filter(each => ['serious', 'critical'].includes(each.impact))
  .map(each => `${each.id}: ${each.nodes.map(node => node.target.join(' ')).slice(0, 4).join(' | ')}`))
"""

UNLABELLED = """
() => [...document.querySelectorAll('input, select, textarea')]
  .filter(each => !['hidden', 'submit', 'button'].includes(each.type))
  .filter(each => {
    const words = [...(each.labels || [])].map(label => label.textContent);
    const named = (each.getAttribute('aria-labelledby') || '').split(' ').map(id => document.getElementById(id));
    words.push(each.getAttribute('aria-label') || '', ...named.map(other => other ? other.textContent : ''));
    return !words.some(word => word.trim());
  })
  .map(each => each.outerHTML.slice(0, 120))
"""

SMALL_TARGETS = """
least => [...document.querySelectorAll('main button, main a.button, main input, main select, main textarea, summary')]
  .filter(each => each.type !== 'hidden' && each.checkVisibility({visibilityProperty: true}))
  .filter(each => {
    const boxes = [each, ...(each.labels || [])].map(part => part.getBoundingClientRect());
    const seen = boxes.filter(box => box.width > 1 && box.height > 1);
    return seen.length && !seen.some(box => box.height >= least - 0.5 && box.width >= least - 0.5);
  })
  .map(each => {
    const box = each.getBoundingClientRect();
    return `${each.outerHTML.slice(0, 100)} ${Math.round(box.width)} x ${Math.round(box.height)}`;
  })
"""

REACHED = """
() => {
  const at = document.activeElement;
  if (!at || at === document.body) return null;
  const marked = [at, at.nextElementSibling, at.closest('label'), at.closest('.control')].filter(Boolean).some(part => {
    const style = getComputedStyle(part);
    return (style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2) || style.boxShadow !== 'none';
  });
  return {what: at.outerHTML.slice(0, 120), marked};
}
"""


@dataclass(frozen=True)
class Looked:
    """What was wrong with one page."""

    path: str
    wrong: tuple[str, ...]


def paths_of(client: TestClient, patterns: Sequence[str]) -> list[str]:
    """One path for each address pattern that links lead to (with and without a query), in the order found."""
    compiled = [(pattern, re.compile(re.sub(r"\{[^}]+\}", "[^/]+", pattern) + "$")) for pattern in patterns]
    found: dict[tuple[str, bool], str] = {}
    waiting, seen = deque(["/", *NOT_LINKED]), {"/", *NOT_LINKED}
    while waiting:
        path = waiting.popleft()
        parts = urlsplit(path)
        fitting = [each for each, regex in compiled if each == parts.path or regex.match(parts.path)]
        kind = (parts.path if parts.path in fitting else next(iter(fitting), ""), bool(parts.query))
        if path not in NOT_LINKED and (not kind[0] or kind in found or kind[0].startswith("/static")):
            continue
        answer = client.get(path, follow_redirects=True)
        if not answer.headers.get("content-type", "").startswith("text/html"):
            found[kind] = ""
            continue
        found[kind] = path
        for link in re.findall(r'\shref="([^"#]+)', answer.text):
            inside = urljoin(str(answer.url), html.unescape(link)).removeprefix(str(client.base_url).rstrip("/"))
            if inside.startswith("/") and inside not in seen:
                seen.add(inside)
                waiting.append(inside)
    return list(dict.fromkeys([*NOT_LINKED, *filter(None, found.values())]))


def sideways(page: Page) -> list[str]:
    """Widths at which the page can be scrolled sideways."""
    wider: list[str] = []
    for width in WIDTHS_PX:
        page.set_viewport_size({"width": width, "height": 900})
        over: int = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        if over > 0:
            wider.append(f"{over} px too wide at {width} px")
    page.set_viewport_size({"width": WIDTHS_PX[0], "height": 900})
    return wider


def findings(page: Page) -> list[str]:
    """Serious and critical findings of axe-core."""
    page.evaluate(AXE)
    found: list[str] = page.evaluate(FINDINGS)
    return found


def without_label(page: Page) -> list[str]:
    """Form controls without a label of their own (a placeholder is none)."""
    found: list[str] = page.evaluate(UNLABELLED)
    return [f"no label: {each}" for each in found]


def too_small(page: Page) -> list[str]:
    """Targets under 44 px, with their labels counted as part of them, where work is logged."""
    if "at-tool" not in (page.get_attribute("body", "class") or ""):
        return []
    found: list[str] = page.evaluate(SMALL_TARGETS, TARGET_PX)
    return [f"small target: {each}" for each in found]


def unseen_focus(page: Page, *, presses: int) -> tuple[int, list[str]]:
    """Tab through a page: how many places were reached, and those where nothing shows that the focus is there."""
    reached, unseen = 0, []
    for _ in range(presses):
        page.keyboard.press("Tab")
        at: dict[str, Any] | None = page.evaluate(REACHED)
        if at is None:
            break
        reached += 1
        if not at["marked"]:
            unseen.append(at["what"])
    return reached, unseen
