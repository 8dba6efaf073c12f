"""What every deed checks before it writes: the timeline, the version on the form, codes."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.refusal import ChangedMeanwhile, Refusal, Where
from app.core.timeline import Deed, Violation, replay
from app.db.base import Base, Versioned
from app.db.models.events import Event
from app.db.session import Writing
from app.queries.timeline import family_of

CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
NEW = 2**62
"""Entry number of a deed that is about to be recorded: after all that are."""


def check_new_deeds(writing: Writing, piece_ids: Iterable[int], deeds: Iterable[Deed]) -> None:
    """Refuse where recording `deeds` would make something impossible; `piece_ids` name the families concerned."""
    new = list(deeds)
    family, before = family_of(writing.session, piece_ids, only_devices=_devices_only(new))
    violations = replay([*before, *new], family, now=writing.now).beyond(replay(before, family, now=writing.now))
    refuse(violations)


def check_new_rows(writing: Writing, piece_ids: Iterable[int], deeds: Iterable[Deed], *, at: str) -> None:
    """The same for a batch: deed i, with entry number NEW + i, stands in row i, and is refused there at field `at`."""
    new = list(deeds)
    family, before = family_of(writing.session, piece_ids, only_devices=_devices_only(new))
    violations = replay([*before, *new], family, now=writing.now).beyond(replay(before, family))
    errors: dict[Where, str] = {}
    for each in violations:
        where = (each.entry - NEW, at) if each.entry >= NEW else (None, None)
        errors[where] = f"{errors[where]} {each.text}" if where in errors else each.text
    if errors:
        raise Refusal(errors)


def _devices_only(deeds: Iterable[Deed]) -> set[int] | None:
    """The devices of deeds that are all on devices: what is done to one says nothing of its neighbours."""
    devices: set[int] = set()
    for deed in deeds:
        if deed.device is None or deed.pieces:
            return None
        devices.add(deed.device)
    return devices


def check_changed_deeds(writing: Writing, piece_ids: Iterable[int], after: Iterable[Deed], gone: Iterable[int]) -> None:
    """Refuse where changing deeds (same entry) or voiding those in `gone` would make something impossible."""
    family, before = family_of(writing.session, piece_ids)
    changed = {deed.entry: deed for deed in after}
    left = set(gone)
    then = [changed.get(deed.entry, deed) for deed in before if deed.entry not in left]
    refuse(replay(then, family, now=writing.now).beyond(replay(before, family, now=writing.now)))


def refuse(violations: Iterable[Violation]) -> None:
    """Raise one refusal with every violation's sentence."""
    sentences = list(dict.fromkeys(violation.text for violation in violations))
    if sentences:
        raise Refusal.of(" ".join(sentences))


def check_version(row: Versioned, on_form: int | None) -> None:
    """Refuse where somebody changed the row after the form was opened."""
    if on_form is not None and row.version != on_form:
        raise ChangedMeanwhile(
            {(None, None): "Somebody else changed this record after you opened the form. Both versions are shown."}
        )


def check_code(session: Session, model: type[Base], code: str, *, at: str = "code") -> str:
    """The code as it will be kept; a Refusal where it is taken (whatever its case) or cannot be typed and scanned."""
    code = code.strip()
    if not code:
        raise Refusal.of("Give a code.", at=at)
    if not CODE.fullmatch(code):
        raise Refusal.of(
            f"'{code}' cannot be a code: use letters A to Z, figures, hyphen, dot or underscore, without spaces.", at=at
        )
    if len(code) > 40:
        raise Refusal.of("A code has at most 40 characters.", at=at)
    table = model.__table__
    if session.scalar(select(table.c.id).where(table.c.code_key == code.casefold())) is not None:
        raise Refusal.of(f"{code} is already in use.", at=at)
    return code


def event_times(writing: Writing, done_at: datetime | None) -> dict[str, datetime]:
    """`done_at` (now where none was given) and `logged_at` for a new event."""
    return {"done_at": done_at or writing.now, "logged_at": writing.now}


def void(writing: Writing, event: Event, reason: str) -> None:
    """Mark an event as entered by mistake: it stays readable and counts nowhere."""
    event.voided_at, event.voided_by_id, event.void_reason = writing.now, writing.operator_id, reason
