"""Taking back a record entered by mistake, and correcting one: nothing is deleted or silently overwritten."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, inspect, select
from sqlalchemy.orm import Session

from app.actions.ranges import check_ranges
from app.actions.rules import check_changed_deeds, check_version, void
from app.actions.settings import checked_settings, numbers_of
from app.core.refusal import Refusal
from app.core.step import Setting
from app.core.timeline import FUTURE, Deed
from app.db.models.events import Event, EventPiece, Whereabouts
from app.db.models.material import Device, Exposure, Piece
from app.db.models.steps import ReflowSession, ReflowShot
from app.db.session import Writing
from app.queries.calibration import watts_of
from app.queries.records import fields_of
from app.queries.timeline import label_of
from app.schemas.log import CorrectIn

REASONS = ": mistyped, wrong piece, entered twice, or in your words."
NEVER_BLANK = frozenset({"purpose", "cause"})


def correct_event(writing: Writing, data: CorrectIn) -> Event:
    """Change fields, time or note of one record. A reason is wanted unless only blanks are filled in.

    Refused where somebody changed the record meanwhile, or where the new time makes something impossible.
    """
    event = _valid_event(writing.session, data.event_id)
    check_version(event, data.version)
    declared = {setting.name: setting for setting in fields_of(event.kind)}
    changes = _changes(writing, event, data, declared)
    overwrites = [name for name, value in changes.items() if getattr(event, name) not in (None, value)]
    if not changes:
        raise Refusal.of("Nothing was changed: the record stands as it was.")
    if overwrites and not (data.reason or "").strip():
        raise Refusal.of(f"Say why the record is changed{REASONS}", at="reason")
    numbers = numbers_of(tuple(declared.values()), {n: v for n, v in changes.items() if v is not None})
    check_ranges(writing, numbers, recipe_version_id=event.recipe_version_id, confirmed=data.confirmed)
    if "done_at" in changes or (isinstance(event, ReflowShot) and "outcome" in changes):
        _check_moved(writing, event, changes)
    for name, value in changes.items():
        setattr(event, name, value)
    event.sources = {**event.sources, **{n: "typed" for n in changes if n in declared}}
    if isinstance(event, ReflowShot):
        dialled, unit = getattr(event, "dialled", None), getattr(event, "dial_unit", None)
        event.power_w = watts_of(writing.session, dialled, unit, event.tool_id, event.done_at)
    writing.reason = data.reason or writing.reason
    writing.session.flush()
    return event


def _changes(writing: Writing, event: Event, data: CorrectIn, declared: Mapping[str, Setting]) -> dict[str, Any]:
    """What really differs, checked; None clears."""
    given = {name: value for name, value in data.changes.items() if value not in (None, "")}
    checked = checked_settings(writing.session, tuple(declared.values()), given)
    for name, value in checked.items():
        longest = getattr(inspect(type(event)).columns[name].type, "length", None)
        if isinstance(value, str) and longest is not None and len(value) > longest:
            raise Refusal.of(f"{declared[name].words}: at most {longest} characters are kept.", at=name)
    cleared = {name: None for name in data.changes if name not in given and name in declared}
    for name in cleared:
        if name in NEVER_BLANK:
            raise Refusal.of(f"{declared[name].words} cannot be left open.", at=name)
    wanted: dict[str, Any] = {**checked, **cleared}
    if data.done_at is not None:
        wanted["done_at"] = data.done_at
    if data.note is not None:
        wanted["note"] = data.note or None
    return {name: value for name, value in wanted.items() if getattr(event, name) != value}


def _check_moved(writing: Writing, event: Event, changes: Mapping[str, Any]) -> None:
    session, at = writing.session, changes.get("done_at", event.done_at)
    if isinstance(event, ReflowSession):
        _check_session_moved(writing, event, at)
        return
    pieces = tuple(_piece_ids(session, event))
    detail = changes.get("outcome", getattr(event, "outcome", None)) if event.kind == "reflow" else None
    detail = event.state if isinstance(event, Whereabouts) else detail
    deed = Deed(event.id, at, event.kind, pieces, event.device_id, detail or "", label_of(event.kind))
    check_changed_deeds(writing, _families(session, event, pieces), [deed], [])
    if isinstance(event, ReflowShot) and event.session_id is not None:
        sitting = session.get_one(ReflowSession, event.session_id)
        if at < sitting.done_at:
            raise Refusal.of("The shot would come before its session began.", at="done_at")


def _check_session_moved(writing: Writing, event: ReflowSession, at: datetime) -> None:
    if at > writing.now + FUTURE:
        raise Refusal.of("A reflow session cannot lie in the future.", at="done_at")
    first = writing.session.scalar(
        select(func.min(ReflowShot.done_at)).where(ReflowShot.session_id == event.id, ReflowShot.voided_at.is_(None))
    )
    if first is not None and at > first:
        raise Refusal.of("The session would begin after its first shot.", at="done_at")


def void_event(writing: Writing, event_id: int, reason: str, *, with_dependents: bool = False) -> list[Event]:
    """Take back a record entered by mistake; with `with_dependents`, what depends on it goes too, as one deed.

    Returns the records taken back. Refused, naming what depends on it, where something would become impossible.
    """
    event = _valid_event(writing.session, event_id)
    if not reason.strip():
        raise Refusal.of(f"Say why it is taken back{REASONS}", at="reason")
    dependents = _dependents(writing.session, event)
    if dependents and not with_dependents:
        codes = _named([_code_of(writing.session, each) for each in dependents])
        raise Refusal.of(
            f"{len(dependents)} {'shot depends' if len(dependents) == 1 else 'shots depend'} on it ({codes}). "
            "Take these back too, or leave it.",
            at="with_dependents",
        )
    _check_standing(writing.session, event)
    gone = [event, *dependents]
    pieces = {piece for each in gone for piece in _families(writing.session, each, _piece_ids(writing.session, each))}
    check_changed_deeds(writing, pieces, [], [each.id for each in gone])
    for each in gone:
        void(writing, each, reason.strip()[:200])
    writing.reason = writing.reason or reason.strip()[:200]
    writing.session.flush()
    return gone


def _valid_event(session: Session, event_id: int) -> Event:
    event = session.get(Event, event_id)
    if event is None:
        raise Refusal.of("This record is not known here.")
    if event.voided_at is not None:
        raise Refusal.of(f"This record was taken back already: {event.void_reason}.")
    return event


def _dependents(session: Session, event: Event) -> list[Event]:
    """Valid records that make no sense without this one: the shots of a session."""
    if not isinstance(event, ReflowSession):
        return []
    statement = select(ReflowShot).where(ReflowShot.session_id == event.id, ReflowShot.voided_at.is_(None))
    return list(session.scalars(statement.order_by(ReflowShot.id)))


def _check_standing(session: Session, event: Event) -> None:
    """Refuse for records that made things which others stand on: chips, devices."""
    if event.kind == "parting":
        children = session.scalars(select(Piece.code).where(Piece.parting_id == event.id)).all()
        if children:
            raise Refusal.of(f"{_named(children)} came of this parting and would have come from nowhere.")
    if event.kind == "taking":
        raise Refusal.of(
            "Devices in hand stay in hand. If they were never meant to be used, change their purpose to spare: "
            "spare devices count in no yield."
        )
    if event.kind == "lithography":
        codes = session.scalars(
            select(Device.code)
            .join(Exposure, Exposure.id == Device.exposure_id)
            .where(Exposure.lithography_id == event.id)
            .order_by(Device.id)
        ).all()
        if codes:
            raise Refusal.of(
                f"{len(codes)} devices in hand stand on what it exposed ({_named(codes)}). "
                "Correct its settings or time instead."
            )


def _piece_ids(session: Session, event: Event) -> list[int]:
    statement = select(EventPiece.piece_id).where(EventPiece.event_id == event.id)
    return list(session.scalars(statement.order_by(EventPiece.id)))


def _families(session: Session, event: Event, pieces: Sequence[int]) -> set[int]:
    if event.device_id is None:
        return set(pieces)
    return {*pieces, session.get_one(Device, event.device_id).piece_id}


def _code_of(session: Session, event: Event) -> str:
    return session.get_one(Device, event.device_id).code if event.device_id else label_of(event.kind)


def _named(codes: Sequence[str]) -> str:
    shown = ", ".join(codes[:6])
    return f"{shown} and {len(codes) - 6} more" if len(codes) > 6 else shown
