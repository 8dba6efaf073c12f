"""Small labs for tests of pieces: a person, a mask, wafers with discs on them, steps done to them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import func, select

from app.actions.pieces import register_fibre_batch, register_wafer, take_in_hand
from app.core.refusal import Refusal
from app.db.models.events import EventPiece
from app.db.models.material import Device, Exposure, Mask, MaskArray, Piece
from app.db.models.people import Operator
from app.db.models.seen import Finding, Inspection
from app.db.models.steps import STEP_CLASSES, ReflowSession, ReflowShot
from app.db.session import Database, Writing
from app.schemas.pieces import FibreBatchIn, SitesIn, TakingIn, WaferIn

START = datetime(2026, 1, 10, 9, 0, tzinfo=UTC)


def day(number: float) -> datetime:
    """An instant so many days after the lab began."""
    return START + timedelta(days=number)


@contextmanager
def deed(database: Database, words: str = "a deed", at: float = 100.0) -> Iterator[Writing]:
    """One deed by AB."""
    with database.writing(words, operator_id=1, now=day(at)) as writing:
        yield writing


def person(database: Database) -> int:
    """AB, who logs; with id 1."""
    with database.writing("register person", operator_id=None, now=day(0)) as writing:
        someone = Operator(initials="AB", initials_key="ab", name="Ada Berg")
        writing.add(someone)
    return someone.id


def bare_wafer(database: Database, code: str = "W001", **more: Any) -> int:
    """A wafer without discs."""
    with deed(database, "register wafer", 0) as writing:
        return register_wafer(writing, WaferIn(code=code, **more)).id


def expose(database: Database, piece: int, rows: int, columns: int, at: float = 1.0) -> int:
    """Lithography of one array on a piece; returns the exposure's number."""
    with deed(database, "record lithography", at) as writing:
        session = writing.session
        number = 1 + (session.scalar(select(func.count()).select_from(Exposure)) or 0)
        mask = Mask(code=f"M{number}", code_key=f"m{number}")
        writing.add(mask)
        array = MaskArray(
            mask_id=mask.id, number=1, rows=rows, columns=columns, disc_um=90, pitch_x_um=300, pitch_y_um=300
        )
        writing.add(array)
        act = STEP_CLASSES["lithography"](done_at=day(at), logged_at=day(at), operator_id=1)
        writing.add(act)
        root = session.get_one(Piece, piece)
        while root.parent_id is not None:
            root = session.get_one(Piece, root.parent_id)
        writing.add(
            EventPiece(event_id=act.id, piece_id=piece),
            Exposure(lithography_id=act.id, piece_id=piece, root_id=root.id, mask_array_id=array.id, number=number),
        )
    return number


def wafer(database: Database, code: str = "W001", rows: int = 4, columns: int = 5) -> int:
    """A wafer with one array exposed on it."""
    piece = bare_wafer(database, code)
    expose(database, piece, rows, columns)
    return piece


def fibre(database: Database, code: str = "F001", ends: int = 6) -> int:
    """A fibre batch."""
    with deed(database, "register fibre batch", 0) as writing:
        return register_fibre_batch(writing, FibreBatchIn(code=code, ends=ends)).id


def take(
    database: Database,
    piece: int,
    sites: Sequence[tuple[int, int]],
    number: int = 1,
    at: float = 2.0,
    purpose: str = "candidate",
) -> list[int]:
    """Take sites in hand; ids of the new devices."""
    with deed(database, "take in hand", at) as writing:
        chosen = (SitesIn(exposure_number=number, sites=tuple(sites)),)
        return [each.id for each in take_in_hand(writing, TakingIn(piece_id=piece, chosen=chosen, purpose=purpose))]


def step(database: Database, kind: str, piece: int, at: float, **settings: Any) -> int:
    """One step done to one piece."""
    with deed(database, f"record {kind}", at) as writing:
        act = STEP_CLASSES[kind](done_at=day(at), logged_at=day(at), operator_id=1, **settings)
        writing.add(act)
        writing.add(EventPiece(event_id=act.id, piece_id=piece))
        return act.id


def shoot(database: Database, devices: Sequence[int], at: float, outcome: str | None = "good", **more: Any) -> None:
    """A reflow session with one shot on each device."""
    with deed(database, "record shots", at) as writing:
        sitting = ReflowSession(done_at=day(at), logged_at=day(at), operator_id=1, spot_um=200)
        writing.add(sitting)
        settings = {"dialled": 5.0, "dial_unit": "W", "power_w": 5.0, "exposure_s": 2.0, **more}
        writing.add(
            *[
                ReflowShot(
                    done_at=day(at),
                    logged_at=day(at),
                    operator_id=1,
                    device_id=device,
                    session_id=sitting.id,
                    sequence=number,
                    outcome=outcome,
                    purpose="reflow",
                    **settings,
                )
                for number, device in enumerate(devices, 1)
            ]
        )


def inspect(database: Database, piece: int, stage: str, verdicts: dict[int, str], at: float, **sizes: Any) -> int:
    """An inspection that names each device."""
    with deed(database, "record inspection", at) as writing:
        seen = Inspection(done_at=day(at), logged_at=day(at), operator_id=1, stage=stage, cover="devices")
        writing.add(seen)
        writing.add(
            EventPiece(event_id=seen.id, piece_id=piece),
            *[Finding(inspection_id=seen.id, device_id=d, verdict=v, **sizes) for d, v in verdicts.items()],
        )
        return seen.id


def refusal_of(function: Any, *arguments: Any) -> Refusal:
    """What `function` refuses with; AssertionError where it does not refuse."""
    try:
        function(*arguments)
    except Refusal as refusal:
        return refusal
    raise AssertionError("it was not refused")


def device_places(database: Database) -> dict[str, int]:
    """The piece each device is on."""
    with database.reading() as session:
        return dict(session.execute(select(Device.code, Device.piece_id)).all())
