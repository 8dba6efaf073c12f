"""Taking back a record entered by mistake, and correcting one: nothing is deleted or silently overwritten."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, inspect, select

from app.actions.correction_parts import Parts, parts_of
from app.actions.dependents import check_change, deed_of, families_of, valid_event
from app.actions.ranges import check_ranges
from app.actions.rules import check_version, void
from app.actions.settings import checked_settings, numbers_of, tool_of, version_of
from app.core.refusal import Refusal
from app.core.step import Setting
from app.core.step_catalogue import STEPS
from app.core.timeline import FUTURE
from app.db.models.events import Event, Whereabouts
from app.db.models.steps import ReflowSession, ReflowShot
from app.db.session import Writing
from app.queries.calibration import watts_of
from app.queries.records import OWN_FIELDS, fields_of
from app.schemas.log import CorrectIn

REASONS = ": mistyped, wrong piece, entered twice, or in your words."
NEVER_BLANK = frozenset({"purpose", "cause", "state", "reason", "medium", "picked"})
LINKS = ("tool_id", "recipe_version_id")
TOLD_IN_TIME = frozenset({"done_at", "outcome", "state", "piece_ids"})
"""Changes that bear upon what is possible before and after."""


def correct_event(writing: Writing, data: CorrectIn) -> Event:
    """Change one record: fields, time, note, tool, recipe version, pieces, repeated settings, points, findings.

    A reason is wanted unless only blanks are filled in. Refused where somebody changed the record meanwhile, or
    where something becomes impossible: what depends on it is named and, `with_dependents`, taken back in the same
    deed.
    """
    event = valid_event(writing.session, data.event_id)
    check_version(event, data.version)
    declared = {setting.name: setting for setting in fields_of(event.kind)}
    changes = _changes(writing, event, data, declared)
    parts = parts_of(writing, event, data)
    if not changes and not parts.changed:
        raise Refusal.of("Nothing was changed: the record stands as it was.")
    overwrites = [name for name, value in changes.items() if getattr(event, name) not in (None, value)]
    reason = (data.reason or "").strip()
    if (overwrites or parts.overwrites) and not reason:
        raise Refusal.of(f"Say why the record is changed{REASONS}", at="reason")
    numbers = numbers_of(tuple(declared.values()), {n: v for n, v in changes.items() if v is not None})
    version_id = changes.get("recipe_version_id", event.recipe_version_id)
    check_ranges(writing, [*numbers, *parts.numbers], recipe_version_id=version_id, confirmed=data.confirmed)
    gone = _made_impossible(writing, event, changes, parts, may_go=data.with_dependents)
    _apply(writing, event, changes, declared, parts)
    for each in gone:
        void(writing, each, reason or "Depends on a record that was corrected")
    writing.reason = reason or writing.reason
    writing.session.flush()
    return event


def _changes(writing: Writing, event: Event, data: CorrectIn, declared: Mapping[str, Setting]) -> dict[str, Any]:
    """What really differs, checked; None clears."""
    linked = {name: data.changes[name] for name in LINKS if name in data.changes}
    typed = {name: value for name, value in data.changes.items() if name not in LINKS}
    given = {name: value for name, value in typed.items() if value not in (None, "")}
    checked = checked_settings(writing.session, tuple(declared.values()), given)
    _check_words(event, checked, declared)
    cleared = {name: None for name in typed if name not in given and name in declared}
    for name in cleared:
        if name in NEVER_BLANK and getattr(event, name) is not None:
            raise Refusal.of(f"{declared[name].words} cannot be left open.", at=name)
    wanted: dict[str, Any] = {**checked, **cleared, **_links(writing, event, linked)}
    if data.done_at is not None:
        wanted["done_at"] = data.done_at
    if data.until is not None and isinstance(event, Whereabouts):
        wanted["until"] = data.until
    if data.note is not None:
        wanted["note"] = data.note or None
    if isinstance(event, Whereabouts):
        _check_place(event, wanted)
    return {name: value for name, value in wanted.items() if getattr(event, name) != value}


def _check_place(event: Whereabouts, wanted: Mapping[str, Any]) -> None:
    state = wanted.get("state", event.state)
    if state in ("lent", "sent") and not wanted.get("place", event.place):
        raise Refusal.of(f"Say to whom or where it was {state}.", at="place")


def _check_words(event: Event, checked: Mapping[str, Any], declared: Mapping[str, Setting]) -> None:
    closed = {setting.name: setting.choices for setting in OWN_FIELDS.get(event.kind, ()) if setting.kind == "choice"}
    for name, value in checked.items():
        longest = getattr(inspect(type(event)).columns[name].type, "length", None)
        if isinstance(value, str) and longest is not None and len(value) > longest:
            raise Refusal.of(f"{declared[name].words}: at most {longest} characters are kept.", at=name)
        if name in closed and value not in closed[name] and value != getattr(event, name):
            raise Refusal.of(f"{declared[name].words}: “{value}” is not one of the list.", at=name)


def _links(writing: Writing, event: Event, given: Mapping[str, Any]) -> dict[str, Any]:
    if "tool_id" in given:
        tool_of(writing.session, given["tool_id"])
    if given.get("recipe_version_id") is not None:
        if event.kind not in STEPS:
            raise Refusal.of("No recipe was followed for a record of this kind.", at="recipe_version_id")
        version_of(writing.session, given["recipe_version_id"], event.kind)
    return dict(given)


def _made_impossible(
    writing: Writing, event: Event, changes: Mapping[str, Any], parts: Parts, *, may_go: bool
) -> list[Event]:
    """Records to take back with the correction; Refusal where the record itself cannot be so."""
    told = dict(changes) if parts.piece_ids is None else {**changes, "piece_ids": parts.piece_ids}
    if not TOLD_IN_TIME & told.keys():
        return []
    at: datetime = changes.get("done_at", event.done_at)
    if isinstance(event, ReflowSession):
        _check_session_moved(writing, event, at)
        return []
    families = families_of(writing.session, [event]) | set(parts.piece_ids or ())
    deed = deed_of(writing.session, event, told)
    gone = check_change(writing, families, [deed], [], may_go=may_go)
    sitting = writing.session.get(ReflowSession, event.session_id) if isinstance(event, ReflowShot) else None
    if sitting is not None and at < sitting.done_at:
        raise Refusal.of("The shot would come before its session began.", at="done_at")
    return gone


def _check_session_moved(writing: Writing, event: ReflowSession, at: datetime) -> None:
    if at > writing.now + FUTURE:
        raise Refusal.of("A reflow session cannot lie in the future.", at="done_at")
    first = writing.session.scalar(
        select(func.min(ReflowShot.done_at)).where(ReflowShot.session_id == event.id, ReflowShot.voided_at.is_(None))
    )
    if first is not None and at > first:
        raise Refusal.of("The session would begin after its first shot.", at="done_at")


def _apply(
    writing: Writing, event: Event, changes: Mapping[str, Any], declared: Mapping[str, Setting], parts: Parts
) -> None:
    for name, value in changes.items():
        setattr(event, name, value)
    typed = {name: "typed" for name in changes if name in declared}
    if typed or parts.source:
        event.sources = {**event.sources, **typed, **parts.source}
    parts.apply(writing)
    if isinstance(event, ReflowSession) and "tool_id" in changes:
        shots = select(ReflowShot).where(ReflowShot.session_id == event.id)
        for shot in writing.session.scalars(shots).all():
            shot.tool_id = event.tool_id
            _set_watts(writing, shot)
    if isinstance(event, ReflowShot):
        _set_watts(writing, event)
    if not writing.session.is_modified(event):
        event.version += 1  # what hangs on a record is part of it: a form opened before is out of date


def _set_watts(writing: Writing, shot: Any) -> None:
    shot.power_w = watts_of(writing.session, shot.dialled, shot.dial_unit, shot.tool_id, shot.done_at)


def void_event(writing: Writing, event_id: int, reason: str, *, with_dependents: bool = False) -> list[Event]:
    """Take back a record entered by mistake; with `with_dependents`, what depends on it goes too, as one deed.

    Returns the records taken back. Refused, naming what depends on it, where something would become impossible.
    """
    return void_events(writing, (event_id,), reason, with_dependents=with_dependents)


def void_events(
    writing: Writing, event_ids: Iterable[int], reason: str, *, with_dependents: bool = False
) -> list[Event]:
    """Take back several records as one deed; the same rules as for one."""
    events = [valid_event(writing.session, event_id) for event_id in dict.fromkeys(event_ids)]
    if not events:
        raise Refusal.of("Choose at least one record.")
    if not reason.strip():
        raise Refusal.of(f"Say why it is taken back{REASONS}", at="reason")
    families = families_of(writing.session, _with_shots(writing, events))
    gone = [*events, *check_change(writing, families, [], events, may_go=with_dependents)]
    for each in gone:
        void(writing, each, reason.strip()[:200])
    writing.reason = writing.reason or reason.strip()[:200]
    writing.session.flush()
    return gone


def _with_shots(writing: Writing, events: Sequence[Event]) -> list[Event]:
    """The records and the shots of those that are sessions, since their devices' families are concerned."""
    sessions = [event.id for event in events if isinstance(event, ReflowSession)]
    return [*events, *writing.session.scalars(select(ReflowShot).where(ReflowShot.session_id.in_(sessions)))]
