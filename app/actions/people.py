"""People who log: registering them, changing them."""

from __future__ import annotations

from sqlalchemy import select

from app.actions.rules import check_version
from app.core.refusal import Refusal
from app.core.vocab import ROLES
from app.db.models.people import Operator
from app.db.session import Writing
from app.queries.people import has_lead
from app.schemas.people import PersonChangeIn, PersonIn

LONGEST_INITIALS = 8


def register_person(writing: Writing, data: PersonIn) -> Operator:
    """Add a person under initials nobody else has, whatever their case."""
    initials = data.initials.strip().upper()
    if not initials:
        raise Refusal.of("Give initials: they are the key a person presses.", at="initials")
    if not initials.isalnum() or len(initials) > LONGEST_INITIALS:
        raise Refusal.of(
            f"“{data.initials.strip()}” cannot be initials: one to {LONGEST_INITIALS} letters or figures, no spaces.",
            at="initials",
        )
    taken = select(Operator).where(Operator.initials_key == initials.casefold())
    if (other := writing.session.scalar(taken)) is not None:
        raise Refusal.of(f"{other.initials} is {other.name}. Choose other initials.", at="initials")
    _check_words(data.name, data.role)
    _check_lead(writing, gives=data.role)
    person = Operator(initials=initials, initials_key=initials.casefold(), name=data.name, role=data.role)
    writing.add(person)
    return person


def change_person(writing: Writing, person_id: int, data: PersonChangeIn) -> Operator:
    """Change name, role or whether somebody still logs here; their records keep their initials."""
    person = writing.session.get(Operator, person_id)
    if person is None:
        raise Refusal.of("There is no such person.")
    check_version(person, data.version)
    _check_words(data.name, data.role)
    if data.role != person.role:
        _check_lead(writing, gives=data.role, takes=person.role)
    if person.role == "lead" and person.active and (data.role != "lead" or not data.active) and _only_lead(writing):
        at = "role" if data.role != "lead" else "active"
        raise Refusal.of("The lab would be left without a lead: make somebody else one first.", at=at)
    person.name, person.role, person.active = data.name, data.role, data.active
    writing.session.flush()
    return person


def _check_words(name: str, role: str) -> None:
    if not name:
        raise Refusal.of("Give a name, so that others know whose initials they are.", at="name")
    if role not in ROLES:
        raise Refusal.of(f"“{role}” is no role: {', '.join(ROLES.values())}.", at="role")


def _check_lead(writing: Writing, *, gives: str, takes: str = "") -> None:
    """Only a lead makes or unmakes a lead, once there is one."""
    if "lead" not in (gives, takes) or not has_lead(writing.session):
        return
    who = writing.session.get(Operator, writing.operator_id) if writing.operator_id is not None else None
    if who is None or who.role != "lead":
        raise Refusal.of("Only a lead makes somebody a lead, or no longer one.", at="role")


def _only_lead(writing: Writing) -> bool:
    leads = writing.session.scalars(select(Operator.id).where(Operator.active, Operator.role == "lead")).all()
    return len(leads) == 1
