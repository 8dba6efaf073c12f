"""They belong to another device: shots, measurements, findings and scans moved from one device to another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.actions.dependents import check_change, deed_of, families_of, valid_event
from app.actions.naming import devices_named
from app.core.refusal import Refusal
from app.db.models.events import Event, EventPiece
from app.db.models.material import Device
from app.db.models.seen import Defect, Finding, Inspection, Resonance, ResonanceFit, RingDown, Scan
from app.db.models.steps import ReflowShot
from app.db.session import Writing
from app.schemas.log import MoveFactsIn

MOVED = ("reflow", "undercut_measurement", "scan", "ring_down")
"""Kinds of record that go where nothing is named; a loss or a purpose goes only by name."""
SAID = ("verdict", "named", "outer_um", "minor_um", "roundness_um", "note")
"""What a finding says."""


def move_to_device(writing: Writing, data: MoveFactsIn) -> list[Event]:
    """Move records of one device to another, as one deed; a site named for the first time is taken in hand.

    Modes go with their scans, and what an inspection found goes with its finding. Refused where the other device
    is of another kind, has a finding of its own in the same inspection, or could not have gone through it then.
    Returns the records moved.
    """
    session = writing.session
    old = _known(session, data.from_device)
    records = _records(session, old, data.event_ids)
    if not records:
        raise Refusal.of(f"Nothing is logged for {old.code} that could belong to another device.", at="from_device")
    first = min(event.done_at for event in records)
    new = devices_named(writing, [data.to_device], done_at=first)[0]
    if new.id == old.id:
        raise Refusal.of("It is the same device.", at="to_device")
    if new.kind != old.kind:
        raise Refusal.of(f"{new.code} is a {new.kind}, {old.code} a {old.kind}.", at="to_device")
    own = [event for event in records if event.device_id == old.id]
    after = [deed_of(session, event, {"device_id": new.id}) for event in own]
    families = families_of(session, records) | {old.piece_id, new.piece_id}
    check_change(writing, families, after, [], may_go=False)
    for event in own:
        event.device_id = new.id
    _renumber(session, new, own)
    _modes(writing, old, new, own)
    for event in records:
        if isinstance(event, Inspection):
            _finding(writing, event, old, new)
    writing.reason = data.reason.strip() or writing.reason
    session.flush()
    return records


def _known(session: Session, code: str) -> Device:
    device = session.scalar(select(Device).where(Device.code_key == code.strip().casefold()))
    if device is None:
        raise Refusal.of(f"“{code}” is no device in hand.", at="from_device")
    return device


def _records(session: Session, device: Device, ids: Sequence[int] | None) -> list[Event]:
    found = select(Finding.inspection_id).where(Finding.device_id == device.id)
    inspected = set(session.scalars(found))
    if ids is not None:
        records = [valid_event(session, event_id) for event_id in dict.fromkeys(ids)]
        for event in records:
            if event.device_id != device.id and event.id not in inspected:
                raise Refusal.of(f"Record {event.id} says nothing of {device.code}.", at="event_ids")
        return records
    own = select(Event).where(Event.device_id == device.id, Event.kind.in_(MOVED), Event.voided_at.is_(None))
    seen = (
        select(Inspection)
        .join(Finding, Finding.inspection_id == Inspection.id)
        .where(Finding.device_id == device.id, Finding.named.is_(True), Inspection.voided_at.is_(None))
    )
    return [*session.scalars(own.order_by(Event.id)), *session.scalars(seen.order_by(Inspection.id))]


def _renumber(session: Session, new: Device, moved: Sequence[Event]) -> None:
    """Shots count on from the last on the device they went to."""
    shots: list[Any] = [event for event in moved if isinstance(event, ReflowShot)]
    if not shots:
        return
    there = select(ReflowShot.sequence).where(
        ReflowShot.device_id == new.id,
        ReflowShot.voided_at.is_(None),
        ReflowShot.id.not_in([shot.id for shot in shots]),
    )
    last = max(session.scalars(there), default=0)
    for place, shot in enumerate(sorted(shots, key=lambda shot: (shot.done_at, shot.id)), 1):
        shot.sequence = last + place


def _modes(writing: Writing, old: Device, new: Device, moved: Sequence[Event]) -> None:
    """Fits and ring-downs of moved scans hang on modes of the other device: the mode itself where all of it goes."""
    session = writing.session
    scans = [event.id for event in moved if isinstance(event, Scan)]
    downs = [event for event in moved if isinstance(event, RingDown)]
    session.flush()
    modes = select(Resonance).where(Resonance.device_id == old.id).order_by(Resonance.id)
    for mode in session.scalars(modes).all():
        fits = session.scalars(select(ResonanceFit).where(ResonanceFit.resonance_id == mode.id)).all()
        going = [fit for fit in fits if fit.scan_id in scans]
        ringing = [down for down in downs if down.resonance_id == mode.id]
        if not going and not ringing:
            continue
        goal = _mode_on(writing, new, mode)
        for fit in going:
            fit.resonance_id = goal.id
        for down in ringing:
            down.resonance_id = goal.id


def _mode_on(writing: Writing, device: Device, like: Resonance) -> Resonance:
    """The device's mode of the same name, band and medium; else a new one, under another name where it is taken."""
    there = select(Resonance).where(Resonance.device_id == device.id)
    known = {mode.label.casefold(): mode for mode in writing.session.scalars(there)}
    found = known.get(like.label.casefold())
    if found is not None and (found.band, found.medium) == (like.band, like.medium):
        return found
    label, number = like.label, 1
    while label.casefold() in known:
        label, number = f"mode {number}", number + 1
    mode = Resonance(device_id=device.id, label=label, band=like.band, medium=like.medium)
    writing.add(mode)
    return mode


def _finding(writing: Writing, inspection: Inspection, old: Device, new: Device) -> None:
    """What was found of `old` is said of `new`; where `new` passed among the rest, the two change places."""
    session = writing.session
    findings = {
        finding.device_id: finding
        for finding in session.scalars(
            select(Finding).where(Finding.inspection_id == inspection.id, Finding.device_id.in_((old.id, new.id)))
        )
    }
    mine, other = findings[old.id], findings.get(new.id)
    if other is not None and other.named:
        raise Refusal.of(f"The inspection names {new.code} too: correct its verdict instead.", at="to_device")
    if other is not None:
        _exchange(session, mine, other)
        return
    _check_piece(writing, inspection, new)
    mine.device_id = new.id


def _exchange(session: Session, mine: Finding, other: Finding) -> None:
    said = [{name: getattr(each, name) for name in SAID} for each in (mine, other)]
    for each, words in zip((other, mine), said, strict=True):
        for name, value in words.items():
            setattr(each, name, value)
    defects = session.scalars(select(Defect).where(Defect.finding_id.in_((mine.id, other.id)))).all()
    for defect in defects:
        defect.finding_id = other.id if defect.finding_id == mine.id else mine.id


def _check_piece(writing: Writing, inspection: Inspection, new: Device) -> None:
    linked = select(EventPiece.piece_id).where(EventPiece.event_id == inspection.id)
    if new.piece_id in set(writing.session.scalars(linked)):
        return
    if inspection.cover != "devices":
        raise Refusal.of(f"{new.code} was not on the piece that was inspected.", at="to_device")
    writing.add(EventPiece(event_id=inspection.id, piece_id=new.piece_id))
