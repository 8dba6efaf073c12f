"""Yield: where do we lose devices?"""

from __future__ import annotations

from datetime import UTC, datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.core.csv_text import csv_text
from app.core.vocab import SHORT_STAGES, STAGES
from app.queries.device_export import device_rows
from app.queries.searches import saved_searches
from app.queries.yields import YieldFigures, yield_figures
from app.web.deps import Reading, Set
from app.web.render import page
from app.web.yield_ask import read_yield_ask
from app.web.yield_view import yield_context

router = APIRouter()


@router.get("/yield")
def show_yield(request: Request, session: Reading, set_: Set) -> Response:
    """Yield of one kind of device, by date of first exposure or fibre preparation; the address holds what is asked."""
    asked = read_yield_ask(request.query_params.multi_items(), set_.zone)
    now = datetime.now(UTC)
    found = yield_figures(session, asked.ask, now=now, zone=set_.zone)
    context = yield_context(found, asked, now=now, searches=saved_searches(session, "yield"))
    return page(request, "yields/yield.html", context, status=422 if asked.errors else 200)


@router.get("/yield.csv")
def yield_csv(request: Request, session: Reading, set_: Set) -> Response:
    """The step table and the groups below it, one row a group and stage."""
    asked = read_yield_ask(request.query_params.multi_items(), set_.zone)
    if asked.errors:
        return Response(" ".join(asked.errors), 422, media_type="text/plain; charset=utf-8")
    found = yield_figures(session, asked.ask, now=datetime.now(UTC), zone=set_.zone)
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
