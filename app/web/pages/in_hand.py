"""In hand: what is in work, what is due, what was logged today."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.core.figures import seconds_text
from app.queries.in_hand import InHand, in_hand
from app.web.deps import Reading, Set
from app.web.render import page

router = APIRouter()

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
          "November", "December")  # fmt: skip
LONG_S = 14 * 86400
"""A wait that needs a hand; the lab's own usual wait is drift's business."""
SOON_S = 7 * 86400


@dataclass(frozen=True)
class DueLine:
    """One thing that runs out: `says` how long, `hurry` where it has or will within a week."""

    name: str
    what: str
    href: str
    says: str
    hurry: bool


@dataclass(frozen=True)
class InHandContext:
    """The page that a lab machine stands on."""

    day: str
    facts: InHand
    due: tuple[DueLine, ...]
    hurry: int
    overdue: int
    long_s: float
    empty: bool


@router.get("/in-hand")
def in_hand_by_name() -> Response:
    """The page by its name."""
    return RedirectResponse("/", status_code=307)


@router.get("/")
def in_hand_now(request: Request, session: Reading, set_: Set) -> Response:
    """What is in hand now; the day is the lab's."""
    now = datetime.now(UTC)
    here = now.astimezone(set_.zone)
    since = datetime.combine(here.date(), time(0, 0), set_.zone).astimezone(UTC)
    facts = in_hand(session, now, since)
    due = tuple(DueLine(d.name, d.what, d.href, _left(d.left_s), d.left_s < SOON_S) for d in facts.due)
    overdue = sum(1 for each in facts.away if each.overdue)
    return page(
        request,
        "in_hand/in_hand.html",
        InHandContext(
            day=f"{DAYS[here.weekday()]} {here.day} {MONTHS[here.month - 1]}",
            facts=facts,
            due=due,
            hurry=sum(1 for each in due if each.hurry) + overdue,
            overdue=overdue,
            long_s=LONG_S,
            empty=facts.wafers_ever == 0,
        ),
    )


def _left(seconds: float) -> str:
    if seconds < 0:
        return f"{seconds_text(-seconds)} late"
    return "ends today" if seconds < 86400 else f"{seconds_text(seconds)} left"
