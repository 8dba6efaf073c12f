"""Recipes: which recipe made the best Q?"""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.core.csv_text import csv_text
from app.queries.recipe_search import RecipeFigures, recipe_figures
from app.queries.searches import saved_searches
from app.web.deps import Reading, Set
from app.web.recipe_ask import read_ask
from app.web.recipe_view import recipes_context
from app.web.render import page

router = APIRouter()


@router.get("/recipes")
def show_recipes(request: Request, session: Reading, set_: Set) -> Response:
    """Search, group and rank; the address holds the whole search."""
    asked = read_ask(request.query_params.multi_items(), set_.zone)
    found = recipe_figures(session, asked.ask)
    context = recipes_context(found, asked, saved_searches(session, "recipes"))
    return page(request, "recipes/search.html", context, status=422 if asked.errors else 200)


@router.get("/recipes.csv")
def recipes_csv(request: Request, session: Reading, set_: Set) -> Response:
    """The groups of the same search, one row each."""
    asked = read_ask(request.query_params.multi_items(), set_.zone)
    if asked.errors:
        return Response(" ".join(asked.errors), 422, media_type="text/plain; charset=utf-8")
    text = _csv(recipe_figures(session, asked.ask))
    headers = {"content-disposition": 'attachment; filename="recipes.csv"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


def _csv(found: RecipeFigures) -> str:
    by = [each.name for each in found.by] or ["group"]
    header = [
        *by,
        "band",
        "medium",
        "ranked",
        "devices",
        "wafers",
        "sessions",
        "modes_per_device",
        "q_typical",
        "q_typical_low",
        "q_typical_high",
        "q_best",
        "characterised",
        "on_specification",
        "on_specification_low",
        "on_specification_high",
        "bound_low",
        "bound_high",
        "leads_in_100",
    ]
    rows = []
    for group in (*found.groups.ranked, *found.groups.few):
        typical, covered = group.typical, group.coverage
        spec = covered.on_spec if covered else None
        rows.append(
            [
                *found.parts.get(group.name, (group.name,)),
                found.place.band if found.place else None,
                found.place.medium if found.place else None,
                group.leads_in is not None,
                group.devices,
                typical.wafers,
                typical.sessions,
                group.modes_per_device,
                typical.q,
                typical.interval.low if typical.interval else None,
                typical.interval.high if typical.interval else None,
                typical.q_best,
                spec.measured.decided if spec else None,
                spec.measured.share if spec else None,
                spec.measured.interval.low if spec and spec.measured.interval else None,
                spec.measured.interval.high if spec and spec.measured.interval else None,
                spec.bounds.low if spec and spec.bounds else None,
                spec.bounds.high if spec and spec.bounds else None,
                group.leads_in,
            ]
        )
    return csv_text(header, rows)
