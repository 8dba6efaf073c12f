"""Who is logging at this machine, and what the frame of every page must know from the records."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request, Response
from sqlalchemy.exc import SQLAlchemyError
from starlette.datastructures import FormData

from app.core.refusal import Refusal
from app.db.session import Database
from app.queries.lab import lab_facts, setup
from app.queries.people import people_logging, person_by_id
from app.web.forms import operator_of
from app.web.render import FrameFacts, Person, make_environment

PERSON_COOKIE = "marver_person"
WORKING_DAY_S = 12 * 3600
"""After this long a machine forgets who was logging; accounts and PINs will go by their own rules."""


def frame_facts(request: Request) -> FrameFacts:
    """People who may log, who does, whether the lab is invented and what of it is not set up yet."""
    database: Database = request.app.state.database
    chosen, since = person_cookie(request)
    try:
        with database.reading() as session:
            people = tuple(Person(one.id, one.initials, one.name) for one in people_logging(session))
            facts, begun = lab_facts(session), setup(session)
    except SQLAlchemyError:
        return FrameFacts()  # the page that tells of a broken database needs a frame as well
    _use_zone(request.app, facts.zone)
    operator = next((one for one in people if one.id == chosen), None)
    # Once a piece is there, what is missing shows on the pages that miss it.
    left = 0 if begun.piece else begun.left
    return FrameFacts(operator, people, facts.example, since if operator else None, left)


def person_cookie(request: Request) -> tuple[int | None, datetime | None]:
    """(person, since when) as the machine's cookie says; (None, None) where it says nothing readable."""
    who, _, since = request.cookies.get(PERSON_COOKIE, "").partition(".")
    if not (who.isdecimal() and since.isdecimal() and len(who) < 10 and len(since) < 12):
        return None, None
    return int(who), datetime.fromtimestamp(int(since), UTC)


def set_person(response: Response, person_id: int | None, now: datetime) -> None:
    """Remember on this machine who is logging, or that nobody is."""
    if person_id is None:
        response.delete_cookie(PERSON_COOKIE, path="/")
        return
    value = f"{person_id}.{int(now.timestamp())}"
    response.set_cookie(PERSON_COOKIE, value, max_age=WORKING_DAY_S, httponly=True, samesite="lax", path="/")


def writer(request: Request, form: FormData) -> int:
    """In whose name a form is saved: the person it was opened with, else the one logging now; else a Refusal."""
    database: Database = request.app.state.database
    for who in (operator_of(form), person_cookie(request)[0]):
        if who is not None:
            with database.reading() as session:
                person = person_by_id(session, who)
            if person is not None and person.active:
                return person.id
    raise Refusal.of("Nobody is logging: press your initials under “Logging as”, then save again.")


def keep_zone(app: FastAPI) -> None:
    """Show instants in the lab's own time zone, where it has set one."""
    database: Database = app.state.database
    with database.reading() as session:
        _use_zone(app, lab_facts(session).zone)


def _use_zone(app: FastAPI, zone: str) -> None:
    """Another worker may have saved a new zone, so every request compares."""
    if zone and zone != app.state.settings.zone.key:
        app.state.settings = replace(app.state.settings, zone=ZoneInfo(zone))
        app.state.templates = make_environment(app.state.settings.zone)
