"""Saved searches."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import StringConstraints

from app.schemas.base import In, Name

SearchPage = Literal["recipes", "yield"]
Query = Annotated[str, StringConstraints(strip_whitespace=True, max_length=6000)]


class SearchIn(In):
    """A search to keep: the page it is for, and what stands after the question mark of its address."""

    page: SearchPage
    name: Name
    query: Query


class SearchChangeIn(In):
    """Another name for a saved search, or whether it is still listed; `version` is the one on the form."""

    name: Name
    active: bool = True
    version: int | None = None
