"""What depends on a record: deeds that become impossible, and shots of a session, when it changes or goes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.actions.rules import refuse
from app.core.refusal import DependedOn, Refusal
from app.core.timeline import Deed, Family, Replay, Violation, replay
from app.db.models.events import Event, EventPiece
from app.db.models.material import Device, Exposure, Piece
from app.db.models.steps import ReflowSession, ReflowShot
from app.db.session import Writing
from app.queries.timeline import family_of, label_of

SHOWN = 6
"""So many codes are named before 'and … more'."""


def valid_event(session: Session, event_id: int) -> Event:
    """The record with this entry number; Refusal where there is none or it was taken back."""
    event = session.get(Event, event_id)
    if event is None:
        raise Refusal.of("This record is not known here.")
    if event.voided_at is not None:
        raise Refusal.of(f"This record was taken back already: {event.void_reason}.")
    return event


def piece_ids_of(session: Session, event: Event) -> list[int]:
    """The pieces a record is about, in the order they were named."""
    statement = select(EventPiece.piece_id).where(EventPiece.event_id == event.id)
    return list(session.scalars(statement.order_by(EventPiece.id)))


def families_of(session: Session, events: Iterable[Event]) -> set[int]:
    """Pieces that name every family these records are about."""
    pieces: set[int] = set()
    for event in events:
        pieces.update(piece_ids_of(session, event))
        if event.device_id is not None:
            pieces.add(session.get_one(Device, event.device_id).piece_id)
    return pieces


def deed_of(session: Session, event: Event, changes: Mapping[str, Any]) -> Deed:
    """The record as a deed of the timeline once `changes` are made (done_at, outcome, state, pieces, device)."""
    detail = {"reflow": "outcome", "whereabouts": "state"}.get(event.kind)
    stated = changes.get(detail, getattr(event, detail)) if detail else ""
    pieces = changes.get("piece_ids")
    return Deed(
        event.id,
        changes.get("done_at", event.done_at),
        event.kind,
        tuple(piece_ids_of(session, event) if pieces is None else pieces),
        changes.get("device_id", event.device_id),
        stated or "",
        label_of(event.kind),
    )


def check_change(
    writing: Writing, pieces: Iterable[int], after: Sequence[Deed], gone: Sequence[Event], *, may_go: bool
) -> list[Event]:
    """What else must be taken back where records change (`after`) or go (`gone`); [] where nothing depends on it.

    Refused where that is not wanted (`may_go`), naming what depends on it, and where the changed record itself
    would be impossible. Records others stand on (chips, devices) never go.
    """
    session = writing.session
    family, before = family_of(session, pieces)
    stood = replay(before, family, now=writing.now)
    changed, leaving = {deed.entry: deed for deed in after}, {event.id: event for event in gone}
    dependents: dict[int, Event] = {}
    said: list[str] = []
    while True:
        for event in list(leaving.values()):
            dependents.update({shot.id: shot for shot in _shots_of(session, event) if shot.id not in leaving})
        leaving.update(dependents)
        then = [changed.get(deed.entry, deed) for deed in before if deed.entry not in leaving]
        now = replay(then, family, now=writing.now)
        violations = now.beyond(stood)
        own = [each for each in violations if each.entry in changed]
        refuse(own)
        if not violations:
            break
        said += [each.text for each in violations]
        dependents.update(_events(session, violations))
    if dependents and not may_go:
        raise _refusal(session, list(dependents.values()), said)
    _check_homes(family, stood, now)
    for event in leaving.values():
        check_standing(session, event)
    return list(dependents.values())


def _check_homes(family: Family, stood: Replay, now: Replay) -> None:
    """A device that was gone when its piece was parted went to none of the pieces that came of it."""
    for device in sorted(stood.gone - now.gone):
        piece = family.devices.get(device)
        if piece is not None and now.pieces[piece].ended_how == "parted":
            raise Refusal.of(
                f"{family.device_codes[device]} was gone when {family.codes[piece]} was parted, so that it is on none "
                "of the pieces that came of it. It stays lost; log another loss of it first if the cause was wrong."
            )


def _events(session: Session, violations: Iterable[Violation]) -> dict[int, Event]:
    return {each.entry: session.get_one(Event, each.entry) for each in violations}


def _shots_of(session: Session, event: Event) -> Sequence[Event]:
    if not isinstance(event, ReflowSession):
        return []
    statement = select(ReflowShot).where(ReflowShot.session_id == event.id, ReflowShot.voided_at.is_(None))
    return session.scalars(statement.order_by(ReflowShot.id)).all()


def _refusal(session: Session, dependents: Sequence[Event], said: Sequence[str]) -> DependedOn:
    shots = all(event.kind == "reflow" for event in dependents)
    what = ("shot" if shots else "record") + ("" if len(dependents) == 1 else "s")
    verb = "depends" if len(dependents) == 1 else "depend"
    codes = named([_named(session, event, shots) for event in dependents])
    sentences = " ".join(dict.fromkeys(said))
    text = f"{len(dependents)} {what} {verb} on it ({codes}). {sentences}".rstrip()
    return DependedOn(
        {(None, "with_dependents"): f"{text} Take these back too, or leave it."},
        dependents=tuple(event.id for event in dependents),
        device=_device(session, dependents),
    )


def _named(session: Session, event: Event, short: bool) -> str:
    code = session.get_one(Device, event.device_id).code if event.device_id else ""
    return code if short and code else " ".join(part for part in (label_of(event.kind), code) if part)


def _device(session: Session, events: Collection[Event]) -> str:
    """The code of the device all these records are about; '' where they are about several or none."""
    devices = {event.device_id for event in events}
    one = devices.pop() if len(devices) == 1 else None
    return session.get_one(Device, one).code if one is not None else ""


def check_standing(session: Session, event: Event) -> None:
    """Refuse to take back records that made things which others stand on: chips, devices."""
    if event.kind == "parting":
        children = session.scalars(select(Piece.code).where(Piece.parting_id == event.id)).all()
        if children:
            raise Refusal.of(f"{named(children)} came of this parting and would have come from nowhere.")
    if event.kind == "taking":
        raise Refusal.of(
            "Devices in hand stay in hand. If they were never meant to be used, change their purpose to spare: "
            "spare devices count in no yield."
        )
    if event.kind == "lithography" and (codes := devices_exposed(session, event)):
        raise Refusal.of(
            f"{len(codes)} devices in hand stand on what it exposed ({named(codes)}). "
            "Correct its settings or time instead."
        )


def devices_exposed(session: Session, event: Event) -> Sequence[str]:
    """Codes of the devices in hand on what a lithography exposed."""
    statement = select(Device.code).join(Exposure, Exposure.id == Device.exposure_id)
    return session.scalars(statement.where(Exposure.lithography_id == event.id).order_by(Device.id)).all()


def named(codes: Sequence[str]) -> str:
    """`W012, W013 and 4 more`."""
    shown = ", ".join(codes[:SHOWN])
    return f"{shown} and {len(codes) - SHOWN} more" if len(codes) > SHOWN else shown
