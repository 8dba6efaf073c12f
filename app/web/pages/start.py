"""The first steps through an empty lab: who you are, your tools, a mask or a spool, first piece, first recipe."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.queries.lab import setup
from app.web.deps import Reading
from app.web.plain_form import was_saved
from app.web.render import page

router = APIRouter()
BACK = "next=%2Fstart"


@dataclass(frozen=True)
class Way:
    """A link that goes on with a step; the first of a step is its usual one."""

    words: str
    href: str


@dataclass(frozen=True)
class Step:
    """One of the first steps: done by what exists, not by having been here."""

    number: int
    title: str
    why: str
    done: bool
    now: bool
    ways: tuple[Way, ...]


@dataclass(frozen=True)
class StartContext:
    """The steps, how many are left, and whether one was just saved."""

    steps: tuple[Step, ...]
    left: int
    saved: bool


@router.get("/start")
def start(request: Request, session: Reading) -> Response:
    """Where an empty lab stands; it can be left and taken up again at any time."""
    begun = setup(session)
    told = (
        (
            "Who you are",
            "Each record is kept in somebody’s name. The first person is a lead; more can be added at any time.",
            begun.people,
            (Way("Add another person" if begun.people else "Say who you are", f"/lab/people/new?{BACK}"),),
        ),
        (
            "Your tools",
            "The laser that melts the rims comes first: log its power per dialled unit, and shots are kept in watts.",
            begun.tools,
            (
                Way("Add the CO₂ laser", f"/lab/tools/new?kind=co2_laser&{BACK}"),
                Way("Add a probe laser", f"/lab/tools/new?kind=probe_laser&{BACK}"),
                Way("Add another tool", f"/lab/tools/new?{BACK}"),
            ),
        ),
        (
            "A mask, or a fibre spool",
            "Microtoroids stand where a mask has its discs; microspheres are melted from fibre.",
            begun.material,
            (
                Way("Describe a mask", f"/lab/masks/new?{BACK}"),
                Way("Add a fibre spool", f"/lab/lots/new?kind=fibre_spool&{BACK}"),
            ),
        ),
        (
            "The first piece",
            "A wafer, or fibre ends prepared together. Every step is logged on a piece; its devices inherit it.",
            begun.piece,
            (Way("Register a wafer", f"/wafers/new?{BACK}"), Way("Register fibre ends", f"/fibres/new?{BACK}")),
        ),
        (
            "The first recipe",
            "It fills in the form of a step, and is what results are told by. A step can also be logged without one.",
            begun.recipe,
            (
                Way("Lithography", f"/lab/recipes/new?step=lithography&{BACK}"),
                Way("Fibre preparation", f"/lab/recipes/new?step=fibre_preparation&{BACK}"),
                Way("Reflow", f"/lab/recipes/new?step=reflow&{BACK}"),
                Way("Another step", "/lab/recipes#found"),
            ),
        ),
    )
    first_open = next((number for number, (_, _, done, _) in enumerate(told, 1) if not done), 0)
    steps = tuple(
        Step(number, title, why, done, number == first_open, ways)
        for number, (title, why, done, ways) in enumerate(told, 1)
    )
    return page(request, "start/start.html", StartContext(steps, begun.left, was_saved(request)))
