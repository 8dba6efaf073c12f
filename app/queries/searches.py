"""Saved searches: what is kept, by whom, and where each leads."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db.models.people import Operator
from app.db.models.searches import SavedSearch


@dataclass(frozen=True)
class SearchRow:
    """One saved search; `href` opens it, `change` is the form that renames it or takes it off the list."""

    id: int
    page: str
    name: str
    query: str
    who: str
    at: datetime
    active: bool
    version: int

    @property
    def href(self) -> str:
        """The address it stands for."""
        return f"/{self.page}?{self.query}" if self.query else f"/{self.page}"

    @property
    def change(self) -> str:
        """The page of its form."""
        return f"/searches/{self.id}"


def saved_searches(session: Session, page: str | None = None, *, retired: bool = False) -> tuple[SearchRow, ...]:
    """Searches of one page (or all) by name; those taken off the list only where `retired`."""
    statement = select(SavedSearch, Operator.initials).outerjoin(Operator, Operator.id == SavedSearch.made_by_id)
    if page is not None:
        statement = statement.where(SavedSearch.page == page)
    if not retired:
        statement = statement.where(SavedSearch.active)
    rows = session.execute(statement.order_by(SavedSearch.page, SavedSearch.name_key)).all()
    return tuple(_row(search, initials) for search, initials in rows)


def saved_search(session: Session, search_id: int) -> SearchRow | None:
    """One saved search, listed or not."""
    statement = select(SavedSearch, Operator.initials).outerjoin(Operator, Operator.id == SavedSearch.made_by_id)
    found = session.execute(statement.where(SavedSearch.id == search_id)).one_or_none()
    return None if found is None else _row(found[0], found[1])


def _row(search: SavedSearch, initials: str | None) -> SearchRow:
    return SearchRow(
        id=search.id,
        page=search.page,
        name=search.name,
        query=search.query,
        who=initials or "nobody",
        at=search.made_at,
        active=search.active,
        version=search.version,
    )
