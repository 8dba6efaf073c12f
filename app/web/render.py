"""Pages: one frozen context into one template, within the frame that every page shares."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, datetime
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import BytecodeCache, Environment, FileSystemLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup

from app import resources
from app.charts.render import svg
from app.core import cautions, figures, vocab
from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.when import MONTHS
from app.web.marks import MARK_OF
from app.web.security import local_path

TEMPLATES = Path(__file__).parent / "templates"
THEMES = {"light": "Light", "dark": "Dark", "yellow-room": "No blue"}
THEME_COOKIE = "marver_theme"

WAYS: tuple[tuple[tuple[str, str], ...], ...] = (
    (("/", "In hand"), ("/log", "Log")),
    (("/recipes", "Recipes"), ("/yield", "Yield"), ("/drift", "Drift"), ("/plan", "Plan")),
    (("/history", "History"), ("/lab", "Lab")),
)
"""Pages at the tool, at the desk, of the lab; only those this server has are shown."""


@dataclass(frozen=True)
class Person:
    """One who may log: initials are the key on the panel."""

    id: int
    initials: str
    name: str


@dataclass(frozen=True)
class FrameFacts:
    """What the frame must know from the records; `source` on the app gives it for each request."""

    operator: Person | None = None
    people: tuple[Person, ...] = ()
    example: bool = False
    since: datetime | None = None
    left: int = 0
    """How many of the first steps an empty lab still has before it; 0 once it has a piece."""


FrameSource = Callable[[Request], FrameFacts]


@dataclass(frozen=True)
class Way:
    """One word of the head."""

    path: str
    label: str
    current: bool


@dataclass(frozen=True)
class Frame:
    """Head and foot of a page."""

    theme: str
    ways: tuple[tuple[Way, ...], ...]
    facts: FrameFacts
    finds_codes: bool
    names_people: bool
    here: str


@dataclass(frozen=True)
class FrameParts:
    """Set once when the app is made: which paths answer, where facts come from."""

    paths: frozenset[str]
    source: FrameSource


def page(request: Request, template: str, context: Any, *, status: int = 200) -> HTMLResponse:
    """Render `template` with the fields of the frozen dataclass `context`, and `frame`."""
    if not is_dataclass(context) or isinstance(context, type):
        raise TypeError("a page has one frozen dataclass as its context")
    environment: Environment = request.app.state.templates
    given = {each.name: getattr(context, each.name) for each in fields(context)}
    return HTMLResponse(environment.get_template(template).render(**given, frame=frame_of(request)), status)


def frame_of(request: Request) -> Frame:
    """The frame for this request."""
    parts: FrameParts = request.app.state.frame
    path = request.url.path
    ways = tuple(
        tuple(Way(to, label, _leads_to(to, path)) for to, label in group if to in parts.paths) for group in WAYS
    )
    query = f"?{request.url.query}" if request.url.query else ""
    return Frame(
        theme=theme_of(request),
        ways=tuple(group for group in ways if group),
        facts=parts.source(request),
        finds_codes="/find" in parts.paths,
        names_people="/person" in parts.paths,
        here=local_path(path + query) if request.method == "GET" else _came_from(request),
    )


def theme_of(request: Request) -> str:
    """The machine's own theme."""
    theme = request.cookies.get(THEME_COOKIE, "light")
    return theme if theme in THEMES else "light"


def _leads_to(way: str, path: str) -> bool:
    return path == way or (way != "/" and path.startswith(f"{way}/"))


def _came_from(request: Request) -> str:
    """The page whose form was posted, so that changing the theme on a refused form leads back to it."""
    referer = request.headers.get("referer", "")
    own = str(request.base_url).rstrip("/")
    return local_path(referer.removeprefix(own), request.url.path) if referer.startswith(own) else "/"


class _Compiled(BytecodeCache):
    """Templates compiled once in a process, whatever the number of applications and zones in it."""

    def __init__(self) -> None:
        self._code: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """What was kept, unless the template's text has changed since."""
        if bucket.key in self._code:
            bucket.bytecode_from_string(self._code[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep it."""
        self._code[bucket.key] = bucket.bytecode_to_string()


_COMPILED = _Compiled()


def make_environment(zone: ZoneInfo) -> Environment:
    """The templates: escaped whatever the file is called, undefined names are errors, instants in the lab's zone."""
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        bytecode_cache=_COMPILED,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        figure=figures.figure,
        q=q_markup,
        interval=interval_markup,
        quantity=quantity_markup,
        bare=bare_text,
        wait=figures.seconds_text,
        day=lambda at: _time_markup(at, zone, "{day} {month} {at:%Y}"),
        short_day=lambda at: _time_markup(at, zone, "{day} {month}"),
        clock=lambda at: _time_markup(at, zone, "{at:%H:%M}"),
        when=lambda at: _time_markup(at, zone, "{day} {month} {at:%Y} {at:%H:%M}"),
        json_script=json_script,
    )
    environment.globals.update(
        static=static_url,
        new_key=lambda: uuid4().hex,
        quantities=QUANTITIES,
        cautions=cautions.CAUTIONS,
        closing=cautions.CLOSING,
        words=vocab,
        mark_of=MARK_OF,
        themes=THEMES,
        zone_name=zone.key,
    )
    return environment


@lru_cache
def static_url(path: str) -> str:
    """Address of a file in `static`, with its digest so that a browser may keep it for ever."""
    digest = sha256((resources.static() / path).read_bytes()).hexdigest()[:12]
    return f"/static/{path}?v={digest}"


def q_markup(value: float | None, low: float | None = None, high: float | None = None, decimals: int = 2) -> Markup:
    """A Q: **1.44** × 10⁸, its interval behind it in the same exponent and decimals."""
    if value is None:
        return _missing()
    power = figures.power_of(float(f"{value:.{decimals}e}"))
    shown = Markup('<span class="q">{} <span class="pow">× {}</span></span>').format(
        figures.in_power(value, power, decimals), figures.exponent_text(power)
    )
    return shown + interval_markup(low, high, power, decimals)


def interval_markup(low: float | None, high: float | None, power: int = 0, decimals: int = 2) -> Markup:
    """A 95 % interval behind its value, in words for those who hear it."""
    text = figures.interval_text(low, high, power, decimals)
    if not text:
        return Markup("")
    return Markup(' <span class="iv"><span class="unseen">95 % interval </span>{}</span>').format(text)


def quantity_markup(
    value: float | None,
    name: str,
    low: float | None = None,
    high: float | None = None,
    decimals: int | None = None,
) -> Markup:
    """A declared quantity: value bold, unit plain, interval behind; Q in powers of ten; or `not measured`."""
    quantity = QUANTITIES[name]
    if value is None:
        return _missing()
    if quantity.log and not quantity.unit:
        return q_markup(value, low, high)
    places = quantity.decimals if decimals is None else decimals
    unit = Markup('\u00a0<span class="unit">{}</span>').format(quantity.unit) if quantity.unit else Markup("")
    shown = Markup('<span class="q">{}{}</span>').format(figures.figure(value, places), unit)
    return shown + interval_markup(low, high, 0, places)


def bare_text(value: float | None, name: str) -> str:
    """A declared quantity in plain words with its unit, for labels and help."""
    return figures.NOT_MEASURED if value is None else value_text(value, QUANTITIES[name])


def _missing() -> Markup:
    return Markup('<span class="quiet">not measured</span>')


def _time_markup(at: datetime | None, zone: ZoneInfo, pattern: str) -> Markup:
    """An instant in the lab's zone, whatever the server's language; stored ones without a zone are UTC."""
    if at is None:
        return Markup('<span class="quiet">not known</span>')
    instant = at.replace(tzinfo=UTC) if at.tzinfo is None else at
    local = instant.astimezone(zone)
    text = pattern.format(day=local.day, month=MONTHS[local.month - 1], at=local)
    return Markup('<time datetime="{}">{}</time>').format(local.isoformat(timespec="seconds"), text)


def chart_picture(spec: Mapping[str, Any], theme: str) -> Markup:
    """A chart drawn on the server, to stand where there is no script and on paper."""
    return Markup(svg(spec, theme))  # noqa: S704  drawn by us; text of people is escaped by the renderer


def json_script(value: Any) -> Markup:
    """JSON to stand in `<script type="application/json">`: nothing in it can end the element."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    return Markup(text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))  # noqa: S704
