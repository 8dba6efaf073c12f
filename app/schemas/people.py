"""People who log."""

from __future__ import annotations

from typing import Literal

from app.schemas.base import In, Line

Role = Literal["lead", "member", "visitor"]


class PersonIn(In):
    """A person to register; `initials` are the key they press."""

    initials: str
    name: Line
    role: Role = "member"


class PersonChangeIn(In):
    """A person as they should stand; `version` is the one on the form. Initials stay, as records name them."""

    name: Line
    role: Role
    active: bool = True
    version: int | None = None
