"""Saved searches: keeping one under a name, renaming it, taking it off the list."""

from __future__ import annotations

from urllib.parse import parse_qsl, urlencode

from sqlalchemy import select

from app.actions.rules import check_version
from app.core.refusal import Refusal
from app.db.models.searches import SavedSearch
from app.db.session import Writing
from app.schemas.searches import SearchChangeIn, SearchIn

NOT_KEPT = ("saved",)


def save_search(writing: Writing, data: SearchIn) -> SavedSearch:
    """Keep an address of Recipes or Yield under a name no other search of that page has."""
    _check_name(writing, data.page, data.name)
    row = SavedSearch(
        page=data.page,
        name=data.name,
        name_key=data.name.casefold(),
        query=plain_query(data.query),
        made_at=writing.now,
        made_by_id=writing.operator_id,
    )
    writing.add(row)
    return row


def change_search(writing: Writing, search_id: int, data: SearchChangeIn) -> SavedSearch:
    """Rename a saved search, take it off the list or put it back; what it asks stays."""
    row = writing.session.get(SavedSearch, search_id)
    if row is None:
        raise Refusal.of("There is no such saved search.")
    check_version(row, data.version)
    if data.name.casefold() != row.name_key:
        _check_name(writing, row.page, data.name)
    row.name, row.name_key, row.active = data.name, data.name.casefold(), data.active
    writing.session.flush()
    return row


def plain_query(text: str) -> str:
    """The query written anew from its pairs, without those that only speak of the page as shown."""
    pairs = parse_qsl(text.lstrip("?"), keep_blank_values=True)
    return urlencode([(name, value) for name, value in pairs if name not in NOT_KEPT])


def _check_name(writing: Writing, page: str, name: str) -> None:
    taken = select(SavedSearch).where(SavedSearch.page == page, SavedSearch.name_key == name.casefold())
    other = writing.session.scalar(taken)
    if other is None:
        return
    where = "" if other.active else ", which is no longer listed"
    raise Refusal.of(f"“{other.name}” is the name of another saved search{where}. Choose another.", at="name")
