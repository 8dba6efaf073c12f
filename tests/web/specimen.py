"""A page that shows every shared part once, in its states: what the frame and its parts are tested with."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import ChoiceLoader, DictLoader
from starlette.datastructures import FormData

from app.charts import spec
from app.core.step_catalogue import STEPS
from app.web import forms, sitemap
from app.web.deps import Posted
from app.web.parts import Entry
from app.web.render import FrameFacts, Person, chart_picture, page, theme_of

NOW = datetime(2026, 3, 12, 9, 42, tzinfo=UTC)
ZONE = ZoneInfo("Europe/Vienna")
TVE = Person(1, "TVE", "Tilde Verne")
FACTS = FrameFacts(TVE, (TVE, Person(2, "MKO", "Mika Koss")), example=True, since=NOW)
PATH = "/specimen"
BLANK = """{% extends "base.html" %}{% import "parts/fields.html" as f %}
{% block title %}Blank{% endblock %}{% block h1 %}Blank{% endblock %}
{% block content %}{% if field %}{{ f.start("/blank", frame) }}{{ f.field(field) }}{{ f.savebar("Save") }}{{ f.end() }}
{% endif %}{% endblock %}"""


@dataclass(frozen=True)
class SpecimenContext:
    """Everything the specimen shows."""

    density: str
    cells: list[tuple[str, ...]]
    typed: forms.Typed
    open: dict[Any, str]
    list: list[forms.Field]
    rows: Any
    drawing: sitemap.MapDrawing
    spec: dict[str, Any]
    picture: str
    paper: str
    entries: tuple[Entry, ...]
    now: datetime


@dataclass(frozen=True)
class BlankContext:
    """One empty field, or nothing."""

    field: forms.Field | None


def add_specimen(app: FastAPI) -> FastAPI:
    """Serve the specimen from `app`, as if every page of the head were there."""
    source = (Path(__file__).parent / "specimen.html").read_text(encoding="utf-8")
    environment = app.state.templates
    environment.loader = ChoiceLoader([DictLoader({"specimen.html": source, "blank.html": BLANK}), environment.loader])

    @app.get(PATH)
    def specimen(request: Request, density: str = "desk") -> HTMLResponse:
        return page(request, "specimen.html", _context(density, theme_of(request)))

    @app.get("/blank")
    def blank(request: Request) -> HTMLResponse:
        return page(request, "blank.html", BlankContext(forms.show(forms.quantity("etch_s"))))

    @app.post("/blank")
    def save(form: Posted) -> RedirectResponse:
        return RedirectResponse(f"/kept?key={forms.key_of(form)}", status_code=303)

    @app.get("/kept")
    def kept(request: Request) -> HTMLResponse:
        return page(request, "blank.html", BlankContext(None))

    return app


def show_whole_frame(app: FastAPI, facts: FrameFacts = FACTS) -> FastAPI:
    """Make the frame believe that every page is there and that `facts` are in the records."""
    paths = {"/", "/log", "/recipes", "/yield", "/history", "/lab", "/find", "/person"}
    app.state.frame = replace(app.state.frame, paths=app.state.frame.paths | paths, source=lambda _request: facts)
    return app


def _context(density: str, theme: str) -> SpecimenContext:
    typed, fields = _form()
    chart = _chart()
    return SpecimenContext(
        density=density,
        cells=[
            ("Chip of wafer", "W012", "parted 16 Jan 2026"),
            ("Discs", "92 µm, 7 × 12", "array 2 of mask M3"),
            ("Oxide", "2.02 µm", "wet thermal"),
            ("Pillar ratio", "0.42", "after 6 cycles"),
            ("Median intrinsic Q", "0.84 × 10⁸", "51 devices"),
            ("On specification", "17 of 51", "Q ≥ 1.0 × 10⁸"),
            ("Waits for", "Q measurement", "18 toroids, 9 d"),
        ],
        typed=typed,
        open=typed.open_questions(()),
        list=fields,
        rows=_rows(),
        drawing=_map(),
        spec=chart,
        picture=chart_picture(chart, theme),
        paper=chart_picture(chart, "print"),
        entries=_entries(),
        now=NOW,
    )


def _form() -> tuple[forms.Typed, list[forms.Field]]:
    asks = [forms.of_setting(setting) for setting in STEPS["reflow"].settings]
    asks += [
        forms.when(),
        forms.code("code", "Wafer code"),
        forms.several("defects", "Defects", {"tweezer": "Tweezer mark", "dropped": "Dropped"}),
        forms.text("note", "Note", long=True),
    ]
    posted = FormData(
        [
            ("dialled", "2,70"),
            ("dial_unit", "W"),
            ("exposure_s", "90"),
            ("bursts", "1.5"),
            ("done_at", "20 min ago"),
            ("beam_offset_x_um", "0,1 mm"),
            ("note", "<b>kept as typed</b>"),
        ]
    )
    typed = forms.parse_form(posted, asks, now=NOW, zone=ZONE)
    planned = {"dialled": 2.6, "exposure_s": 3.0, "bursts": 1}
    return typed, [forms.show(ask, typed, planned=planned.get(ask.name)) for ask in asks]


def _rows() -> list[tuple[str, list[forms.Field]]]:
    asks = (
        forms.quantity("dialled"),
        forms.quantity("exposure_s"),
        forms.choice("outcome", "Outcome", {"good": "Good", "gone": "Gone"}),
    )
    posted = FormData(
        [
            ("r0-dialled", "2.70"),
            ("r0-exposure_s", "3"),
            ("r0-outcome", "good"),
            ("r1-dialled", "abc"),
            ("r1-outcome", "splendid"),
            ("r2-dialled", "2.60"),
            ("r2-exposure_s", "90"),
        ]
    )
    typed = forms.parse_rows(posted, asks, now=NOW, zone=ZONE, counts=("dialled",))
    planned = {"dialled": 2.6, "exposure_s": 3.0}
    return [
        (f"W014-2-030{row}", [forms.show(ask, typed, row=row, planned=planned.get(ask.name)) for ask in asks])
        for row in range(4)
    ]


def _map() -> sitemap.MapDrawing:
    states = ("waiting", "failed", "lost_earlier", "not_looked_at", "usable", "not_taken_forward")
    sites = []
    for row in range(1, 8):
        for column in range(1, 13):
            valued, known = (row * 3 + column) % 4 > 0, (row * 3 + column) % 8 > 0
            site = sitemap.MapSite(f"W012-2-{row:02}{column:02}", column * 500, row * 500, "#" if known else "")
            if valued:
                site = replace(site, step=(row * column) % 9 + 1, text=f"{(row * column % 15) / 10:.1f}")
            elif known:
                site = replace(site, state=states[(row + column) % 6])
            sites.append(replace(site, chosen=(row, column) == (3, 4)))
    return sitemap.draw_map(
        sites,
        says="Map of W012-B, 7 rows by 12 columns, coloured by intrinsic Q",
        columns=[(f"{column:02}", column * 500) for column in range(1, 13)],
        rows=[(f"{row:02}", row * 500) for row in range(1, 8)],
    )


def _chart() -> dict[str, Any]:
    q = [1e7 * 1.3**n for n in range(10)]
    domain = spec.log_domain(q)
    x = spec.axis("x", "XeF₂ dose / Torr·s")
    layers = [
        spec.layer(
            "rule",
            "interval",
            {
                "x": x,
                "y": spec.axis("low", "Intrinsic Q", log=True, power=8, domain=domain),
                "y2": {"field": "high"},
            },
        ),
        spec.layer("point", "group", {"x": x, "y": spec.axis("q", "Intrinsic Q", log=True, power=8, domain=domain)}),
    ]
    rows = [{"x": 100 * n, "q": value, "low": value * 0.8, "high": value * 1.2} for n, value in enumerate(q)]
    return spec.chart(rows, layers, width=640)


def _entries() -> tuple[Entry, ...]:
    return (
        Entry(part="Inherited from wafer W012", inherited=True),
        Entry("Lithography", NOW - timedelta(30), "MKO", ("Resist 1.8, version 4",), "#", inherited=True),
        Entry(part="Chip W012-B"),
        Entry("Undercut, 4 cycles", NOW - timedelta(9), "TVE", ("40 s at 3.0 Torr", "Pillar ratio 0.42")),
        Entry("Reflow", NOW, "TVE", voided="wrong disc, MKO 12 Mar"),
        Entry("Q measurement, 18 toroids", ahead=True, lines=("Waiting 9 d",)),
    )
