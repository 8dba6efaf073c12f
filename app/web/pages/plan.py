"""Plan: what should I set next?"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.queries.plan import OxideRate, Shot, no_piece_yet, oxide_rates, piece_undercut, shots_like
from app.web import plan_view as work
from app.web.deps import Reading, Set
from app.web.forms import Field
from app.web.plan_ask import Asked, Plan, read_plans
from app.web.plan_shots import laser
from app.web.plan_view import Answer
from app.web.render import page

router = APIRouter()
T = TypeVar("T", OxideRate, Shot)


@dataclass(frozen=True)
class Section:
    """One question on the page, with its fields and, once asked, its answer or what to mend."""

    plan: Plan
    fields: tuple[Field, ...]
    answer: Answer | None
    errors: tuple[tuple[str, str], ...]
    """(field on the page, what is wrong with it)."""
    unusual: tuple[str, ...]


@dataclass(frozen=True)
class PlanContext:
    """The whole page."""

    sections: tuple[Section, ...]
    empty: bool


@router.get("/plan")
def show_plan(request: Request, session: Reading, set_: Set) -> Response:
    """Seven small questions; the address holds the one that is asked, so that it can be sent to someone."""
    asked = read_plans(request.query_params.multi_items(), set_.zone)
    sections = tuple(_section(session, each, set_.zone) for each in asked)
    context = PlanContext(sections, no_piece_yet(session))
    return page(request, "plan/plan.html", context, status=422 if any(s.errors for s in sections) else 200)


def _section(session: Reading, asked: Asked, zone: ZoneInfo) -> Section:
    plan, typed = asked.plan, asked.typed
    if typed is None:
        return Section(plan, asked.fields(), None, (), ())
    errors = tuple((f"{plan.name}-{at}", words) for (_, at), words in typed.errors.items())
    answer = _answer(session, plan.name, typed.values, zone) if typed.ok else None
    return Section(plan, asked.fields(), answer, errors, tuple(typed.questions.values()))


def _answer(session: Reading, name: str, values: Any, zone: ZoneInfo) -> Answer:
    if name == "oxide":
        return work.oxide(values, _here(oxide_rates(session), zone))
    if name == "cycles":
        return work.cycles(values, piece_undercut(session, values["piece"]) if values["piece"] else None)
    if name == "laser":
        return laser(values, _here(shots_like(session, values["kind"], values["nominal_um"]), zone))
    plain = {"mask": work.mask, "sphere": work.sphere, "toroid": work.toroid, "beam": work.on_sample}
    return plain[name](values)


def _here(records: tuple[T, ...], zone: ZoneInfo) -> tuple[T, ...]:
    """The same with their times in the lab's zone."""
    return tuple(replace(each, at=each.at.astimezone(zone)) for each in records)
