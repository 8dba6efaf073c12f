"""Drift: is a step moving?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from markupsafe import Markup

from app.core.csv_text import csv_text
from app.queries.drift import SERIES, WANTS, DriftPoint, ToolMark, drift_points, tool_marks
from app.web.deps import Reading, Set
from app.web.drift_view import (
    KINDS,
    LIMITS,
    BathRow,
    DriftAsk,
    DriftRow,
    Worked,
    baths,
    chosen,
    read_drift_ask,
    significant,
    work_out,
)
from app.web.render import chart_picture, page, theme_of

router = APIRouter()


@dataclass(frozen=True)
class Option:
    """One choice of a list."""

    value: str
    label: str
    chosen: bool


@dataclass(frozen=True, eq=False)
class Drawn:
    """One chart with its pictures."""

    id: str
    name: str
    spec: Mapping[str, Any]
    picture: Markup
    paper: Markup


@dataclass(frozen=True)
class Line:
    """One row of the table of points, written out."""

    row: DriftRow
    value: str
    charted: str


@dataclass(frozen=True, eq=False)
class DriftContext:
    """Everything the page shows."""

    ask: DriftAsk
    label: str
    unit: str
    series: tuple[Option, ...]
    kinds: tuple[Option, ...]
    limits: tuple[Option, ...]
    whose: tuple[Option, ...]
    wants: str
    none_at_all: bool
    none_here: bool
    worked: Worked
    says: str
    drawn: tuple[Drawn, ...]
    lines: tuple[Line, ...]
    alarms: tuple[Line, ...]
    baths: tuple[BathRow, ...]
    marks: tuple[ToolMark, ...]
    csv: str


@router.get("/drift")
def drift(request: Request, session: Reading, set_: Set) -> Response:
    """A control chart of one series; the address holds what is asked."""
    ask = read_drift_ask(request.query_params, set_.zone)
    everything = drift_points(session, ask.series)
    points = chosen(everything, ask)
    marks = tool_marks(session, {point.tool for point in points})
    worked = work_out(points, marks, ask)
    label, unit = SERIES[ask.series]
    lines = tuple(Line(row, significant(row.point.value), significant(row.charted)) for row in worked.rows)
    trends = baths(points, unit)
    alarms = tuple(line for line in lines if line.row.says)
    theme = theme_of(request)
    context = DriftContext(
        ask=ask,
        label=label,
        unit=unit,
        series=_options(((name, words) for name, (words, _) in SERIES.items()), ask.series),
        kinds=_options(KINDS.items(), ask.kind),
        limits=_options(LIMITS.items(), ask.limits),
        whose=_options(_whose(everything), ask.of),
        wants=WANTS[ask.series],
        none_at_all=not everything,
        none_here=bool(everything) and not points,
        worked=worked,
        says=_says(worked, len(alarms), trends),
        drawn=tuple(
            Drawn(f"chart-{i}", name, spec, chart_picture(spec, theme), chart_picture(spec, "print"))
            for i, (name, spec) in enumerate(worked.specs)
        ),
        lines=lines,
        alarms=alarms,
        baths=trends,
        marks=tuple(marks),
        csv=ask.address("/drift.csv"),
    )
    return page(request, "drift/drift.html", context, status=422 if ask.errors else 200)


@router.get("/drift.csv")
def drift_csv(request: Request, session: Reading, set_: Set) -> Response:
    """The points of the chart, one row each."""
    ask = read_drift_ask(request.query_params, set_.zone)
    if ask.errors:
        return Response(" ".join(ask.errors), 422, media_type="text/plain; charset=utf-8")
    points = chosen(drift_points(session, ask.series), ask)
    worked = work_out(points, tool_marks(session, {point.tool for point in points}), ask)
    header = ("number", "done_at", "act", "tool", "bath", "series", "unit", "value", "values", "charted", "rules")
    rows = [
        (r.number, r.point.at, r.point.label, r.point.tool, r.point.bath, ask.series, SERIES[ask.series][1],
         r.point.value, len(r.point.values), r.charted, r.says)
        for r in worked.rows
    ]  # fmt: skip
    headers = {"content-disposition": 'attachment; filename="drift.csv"'}
    return Response(csv_text(header, rows), media_type="text/csv; charset=utf-8", headers=headers)


def _options(pairs: Iterable[tuple[str, str]], value: str) -> tuple[Option, ...]:
    return tuple(Option(name, words, name == value) for name, words in pairs)


def _whose(points: Iterable[DriftPoint]) -> list[tuple[str, str]]:
    tools = dict.fromkeys((f"tool:{p.tool}", f"Tool {p.tool}") for p in points if p.tool)
    lots = dict.fromkeys((f"bath:{p.bath}", f"Bath {p.bath}") for p in points if p.bath)
    return [("", "All"), *tools, *lots]


def _says(worked: Worked, alarms: int, trends: Iterable[BathRow]) -> str:
    moving = " ".join(f"{row.name} {row.says.split(';')[0]}." for row in trends if row.moves)
    if worked.missing:
        return f"{worked.missing} {moving}".strip()
    of = len(worked.rows)
    if alarms:
        verb = "breaks" if alarms == 1 else "break"
        said = f"{alarms} of {of} points {verb} a rule: look at what was done to the tools near them."
    else:
        said = f"None of {of} points breaks a rule."
    return f"{said} {moving or 'No trend stands out.'}"
