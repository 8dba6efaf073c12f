"""What the shared parts of pages are given, as frozen records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Entry:
    """One line of a process sheet: a heading between parts (`part`), or something done, due or inherited."""

    heading: str = ""
    at: datetime | None = None
    who: str = ""
    lines: tuple[str, ...] = ()
    href: str = ""
    part: str = ""
    inherited: bool = False
    ahead: bool = False
    voided: str = ""
    """Reason and person, where it was entered by mistake."""
