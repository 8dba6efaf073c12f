"""Yield: where do we lose devices?"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from app.core.csv_text import csv_text
from app.core.vocab import SHORT_STAGES, STAGES
from app.queries.device_export import device_rows
from app.queries.yields import BY, YieldAsk, YieldFigures, yield_figures
from app.web.deps import Reading, Set
from app.web.render import page
from app.web.when_asked import Days, read_days
from app.web.yield_view import yield_context

router = APIRouter()
Word = Annotated[str, Query(max_length=80)]
Day = Annotated[str, Query(alias="from", max_length=40)]
LastDay = Annotated[str, Query(alias="to", max_length=40)]


def _ask(kind: str, days: Days, wafer: str, spec: str, by: str) -> YieldAsk:
    return YieldAsk(
        kind=kind if kind in STAGES else next(iter(STAGES)),
        start=days.start,
        end=days.end,
        wafer=wafer.strip(),
        specification_id=int(spec) if spec.isdecimal() and len(spec) < 10 else None,
        by=by if by in BY else next(iter(BY)),
    )


@router.get("/yield")
def show_yield(
    request: Request,
    session: Reading,
    set_: Set,
    kind: Word = "",
    first: Day = "",
    last: LastDay = "",
    wafer: Word = "",
    spec: Word = "",
    by: Word = "",
) -> Response:
    """Yield of one kind of device, by date of first exposure or fibre preparation."""
    days = read_days(first, last, set_.zone)
    now = datetime.now(UTC)
    found = yield_figures(session, _ask(kind, days, wafer, spec, by), now=now, zone=set_.zone)
    context = yield_context(found, start=first, end=last, errors=days.errors, now=now)
    return page(request, "yields/yield.html", context, status=422 if days.errors else 200)


@router.get("/yield.csv")
def yield_csv(
    session: Reading,
    set_: Set,
    kind: Word = "",
    first: Day = "",
    last: LastDay = "",
    wafer: Word = "",
    spec: Word = "",
    by: Word = "",
) -> Response:
    """The step table and the groups below it, one row a group and stage."""
    days = read_days(first, last, set_.zone)
    if days.errors:
        return Response(" ".join(days.errors), 422, media_type="text/plain; charset=utf-8")
    ask = _ask(kind, days, wafer, spec, by)
    found = yield_figures(session, ask, now=datetime.now(UTC), zone=set_.zone)
    return _attached(_yield_csv(found), "yield.csv")


def _yield_csv(found: YieldFigures) -> str:
    header = ("by", "group", "stage", "attempted", "passed", "failed", "yield", "yield_low", "yield_high", "acts")
    rows = [("all", "", row.stage, row.step) for row in found.table.stages]
    stages = list(STAGES[found.ask.kind])
    for group in found.groups:
        rows += [(found.ask.by, group.name, stage, cell) for stage, cell in zip(stages, group.cells, strict=True)]
    return csv_text(
        header,
        [
            (
                by,
                name,
                SHORT_STAGES[stage],
                step.attempted,
                step.passed,
                step.decided - step.passed,
                step.share,
                step.interval.low if step.interval else None,
                step.interval.high if step.interval else None,
                len(step.acts),
            )
            for by, name, stage, step in rows
        ],
    )


@router.get("/devices.csv")
def devices_csv(session: Reading) -> Response:
    """The whole device table with the state of each device at each stage."""
    table = device_rows(session)
    return _attached(csv_text(table.header, table.cells()), "devices.csv")


def _attached(text: str, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)
