"""Saved searches of Recipes and Yield: keeping, renaming, taking off the list."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from app.actions.searches import change_search, plain_query, save_search
from app.queries.searches import SearchRow, saved_search, saved_searches
from app.schemas.base import take
from app.schemas.searches import SearchChangeIn, SearchIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.plain_form import PlainForm, Values, Writing, answer, version_of, was_saved
from app.web.render import page

router = APIRouter()
PAGES = {"recipes": "Recipes", "yield": "Yield"}
TRAIL = (("Saved searches", "/searches"),)
LONGEST = 6000


@dataclass(frozen=True)
class SearchesContext:
    """The list of saved searches, those taken off it last."""

    searches: tuple[SearchRow, ...]
    pages: dict[str, str]
    saved: bool


@router.get("/searches")
def searches(request: Request, session: Reading) -> Response:
    """Every saved search, with who kept it and when."""
    rows = sorted(saved_searches(session, retired=True), key=lambda row: not row.active)
    return page(request, "recipes/searches.html", SearchesContext(tuple(rows), PAGES, was_saved(request)))


@router.get("/searches/new")
def new_search(request: Request) -> Response:
    """A form that asks for a name."""
    return page(request, "lab/form.html", _new_form(request).context())


@router.post("/searches/new")
def keep_search(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Keep the search and open it."""
    of, query = _asked(request)

    def act(writing: Writing, values: Values) -> str:
        row = save_search(writing, take(SearchIn, page=of, query=query, **values))
        return f"/{row.page}?{row.query}" if row.query else f"/{row.page}"

    return answer(request, form, lab, set_.zone, _new_form(request), act)


@router.get("/searches/{search_id}")
def search(request: Request, search_id: int, session: Reading) -> Response:
    """The form of one saved search."""
    return page(request, "lab/form.html", _form(_found(session, search_id)).context())


@router.post("/searches/{search_id}")
def change(request: Request, search_id: int, form: Posted, lab: Lab, set_: Set) -> Response:
    """Rename it, take it off the list or put it back."""

    def read() -> PlainForm:
        with lab.reading() as session:
            return _form(_found(session, search_id))

    def act(writing: Writing, values: Values) -> str:
        change_search(writing, search_id, take(SearchChangeIn, **values, version=version_of(form)))
        return "/searches"

    return answer(request, form, lab, set_.zone, read(), act, reread=read)


def _asked(request: Request) -> tuple[str, str]:
    of, query = request.query_params.get("page", ""), request.query_params.get("query", "")
    if of not in PAGES:
        raise HTTPException(404, "Searches of Recipes and of Yield can be saved; this address names neither.")
    if len(query) > LONGEST:
        raise HTTPException(422, "This address is too long to keep: tick fewer groups.")
    return of, plain_query(query)


def _new_form(request: Request) -> PlainForm:
    of, query = _asked(request)
    return PlainForm(
        title=f"Save this search of {PAGES[of]}",
        trail=TRAIL,
        action=f"/searches/new?{urlencode({'page': of, 'query': query})}",
        button="Save this search",
        groups=(("", (forms.text("name", "Name", required=True, help="As others will look for it."),)),),
        deed="save search",
        stored={},
        says="It is kept for everybody in the lab. It asks anew each time it is opened: new devices count.",
    )


def _form(row: SearchRow) -> PlainForm:
    asks = (forms.text("name", "Name", required=True), forms.flag("active", "Listed"))
    return PlainForm(
        title=row.name,
        trail=TRAIL,
        action=row.change,
        button="Save these words",
        groups=(("", asks),),
        deed="change saved search",
        stored={"name": row.name, "active": row.active},
        version=row.version,
    )


def _found(session: Reading, search_id: int) -> SearchRow:
    row = saved_search(session, search_id)
    if row is None:
        raise HTTPException(404, "There is no such saved search.")
    return row
