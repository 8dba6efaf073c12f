"""Who logs here."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.vocab import ROLES
from app.db.models.events import Event
from app.db.models.people import Operator


@dataclass(frozen=True)
class PersonRow:
    """One person of the list; `logged` counts the records in their name."""

    id: int
    initials: str
    name: str
    role: str
    active: bool
    version: int
    logged: int = 0

    @property
    def role_word(self) -> str:
        """The role as read."""
        return ROLES.get(self.role, self.role)


def people_logging(session: Session) -> list[PersonRow]:
    """Active people, by initials: those whose keys stand on the panel."""
    return [
        _row(one) for one in session.scalars(select(Operator).where(Operator.active).order_by(Operator.initials_key))
    ]


def people_list(session: Session) -> list[PersonRow]:
    """Everybody, active ones first."""
    logged = dict(session.execute(select(Event.operator_id, func.count()).group_by(Event.operator_id)).all())
    order = (Operator.active.desc(), Operator.initials_key)
    return [_row(one, logged.get(one.id, 0)) for one in session.scalars(select(Operator).order_by(*order))]


def person_by_id(session: Session, person_id: int) -> PersonRow | None:
    """One person; None where there is none with this id."""
    found = session.get(Operator, person_id)
    return None if found is None else _row(found)


def has_lead(session: Session) -> bool:
    """Whether anybody active is a lead."""
    return session.scalar(select(Operator.id).where(Operator.active, Operator.role == "lead").limit(1)) is not None


def _row(one: Operator, logged: int = 0) -> PersonRow:
    return PersonRow(one.id, one.initials, one.name, one.role, one.active, one.version, logged)
