"""Who is logging at this machine, and the people of the lab."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from app import resources
from app.actions.people import change_person, register_person
from app.actions.specifications import seed_specifications
from app.core.vocab import ROLES
from app.queries.people import PersonRow, has_lead, people_list, person_by_id
from app.schemas.base import take
from app.schemas.people import PersonChangeIn, PersonIn
from app.web import forms
from app.web.deps import Lab, Posted, Reading, Set
from app.web.frame import set_person
from app.web.plain_form import PlainForm, Values, Writing, answer, version_of, wanted_next, was_saved
from app.web.render import page
from app.web.security import local_path

router = APIRouter()
TRAIL = (("Lab", "/lab"), ("People", "/lab/people"))


@dataclass(frozen=True)
class PeopleContext:
    """The list of people."""

    people: tuple[PersonRow, ...]
    saved: bool


@router.post("/person")
def choose_person(form: Posted, session: Reading) -> Response:
    """Say who is logging at this machine from now on (or that nobody is), and go back to the page."""
    typed, back = form.get("who"), form.get("back")
    response = RedirectResponse(local_path(back if isinstance(back, str) else "/"), status_code=303)
    if not isinstance(typed, str) or not typed.strip():
        set_person(response, None, datetime.now(UTC))
        return response
    person = person_by_id(session, int(typed)) if typed.isdecimal() and len(typed) < 10 else None
    if person is None or not person.active:
        raise HTTPException(422, "Nobody who logs here has this key. Choose somebody from the list.")
    set_person(response, person.id, datetime.now(UTC))
    return response


@router.get("/lab/people")
def people(request: Request, session: Reading) -> Response:
    """Everybody, with how much stands in their name."""
    return page(request, "lab/people.html", PeopleContext(tuple(people_list(session)), was_saved(request)))


@router.get("/lab/people/new")
def new_person(request: Request, session: Reading) -> Response:
    """An empty form for a person."""
    return page(request, "lab/form.html", _new_form(session).context(next_path=wanted_next(request)))


@router.post("/lab/people/new")
def add_person(request: Request, form: Posted, lab: Lab, set_: Set) -> Response:
    """Register a person; the first one of a lab is logging from then on."""
    with lab.reading() as session:
        first, plain = not people_list(session), _new_form(session)
    made: list[int] = []

    def act(writing: Writing, values: Values) -> str:
        person = register_person(writing, take(PersonIn, **values))
        if first:
            seed_specifications(writing, resources.seed_data())
        made.append(person.id)
        return "/lab/people"

    response = answer(request, form, lab, set_.zone, plain, act, anybody=first)
    if first and made and response.status_code == 303:
        set_person(response, made[0], datetime.now(UTC))
    return response


@router.get("/lab/people/{person_id}")
def person(request: Request, person_id: int, session: Reading) -> Response:
    """The form of one person as they stand."""
    return page(request, "lab/form.html", _form(_person(session, person_id)).context())


@router.post("/lab/people/{person_id}")
def save_person(request: Request, person_id: int, form: Posted, lab: Lab, set_: Set) -> Response:
    """Change a person."""

    def read() -> PlainForm:
        with lab.reading() as session:
            return _form(_person(session, person_id))

    def act(writing: Writing, values: Values) -> str:
        change_person(writing, person_id, take(PersonChangeIn, **values, version=version_of(form)))
        return "/lab/people"

    return answer(request, form, lab, set_.zone, read(), act, reread=read)


def _person(session: Reading, person_id: int) -> PersonRow:
    found = person_by_id(session, person_id)
    if found is None:
        raise HTTPException(404, "There is no such person.")
    return found


def _new_form(session: Reading) -> PlainForm:
    asks = (
        forms.text("initials", "Initials", required=True, help="The key you press; letters or figures, at most 8."),
        forms.text("name", "Name", required=True),
        forms.choice("role", "Role", ROLES, required=True, help="A lead may edit settings of the lab."),
    )
    role = "member" if has_lead(session) else "lead"
    return PlainForm(
        title="New person",
        trail=TRAIL,
        action="/lab/people/new",
        button="Save this person",
        groups=(("", asks),),
        deed="register person",
        stored={"role": role},
    )


def _form(who: PersonRow) -> PlainForm:
    asks = (
        forms.text("name", "Name", required=True),
        forms.choice("role", "Role", ROLES, required=True, help="A lead may edit settings of the lab."),
        forms.flag("active", "Logs here"),
    )
    return PlainForm(
        title=who.initials,
        trail=TRAIL,
        action=f"/lab/people/{who.id}",
        button=f"Save {who.initials}",
        groups=(("", asks),),
        deed="change person",
        stored={"name": who.name, "role": who.role, "active": who.active},
        says="Initials stay: records name people by them. Somebody who left no longer logs here; their records stay.",
        version=who.version,
    )
