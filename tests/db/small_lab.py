"""A small lab by its deeds, for tests of what holds whatever the records are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from app.db.session import Database


def with_person(database: Database) -> int:
    """Register one person; returns the id."""
    from app.actions.people import register_person
    from app.schemas.people import PersonIn

    with database.writing("register person", operator_id=None) as writing:
        person = register_person(writing, PersonIn(initials="AB", name="Ada Birch", role="lead"))
    return person.id


def with_tool(database: Database, who: int | None, code: str = "CO2") -> int:
    """Register one laser; returns the id."""
    from app.actions.tools import register_tool
    from app.schemas.tools import ToolIn

    with database.writing("register tool", operator_id=who) as writing:
        tool = register_tool(writing, ToolIn(code=code, kind="co2_laser", name="CO₂ laser"))
    return tool.id


def with_devices(database: Database, who: int | None, count: int = 30) -> list[int]:
    """A patterned wafer with `count` sites in hand; returns the device ids. Sizes are whole numbers on purpose."""
    from app.actions.masks import register_mask
    from app.actions.taking import take_sites
    from app.db.models.events import EventPiece
    from app.db.models.material import Exposure, MaskArray, Wafer
    from app.db.models.steps import STEP_CLASSES
    from app.schemas.masks import ArrayIn, MaskIn

    array = ArrayIn(rows=10, columns=10, disc_um=100, pitch_x_um=400, pitch_y_um=400)
    with database.writing("register mask", operator_id=who) as writing:
        mask = register_mask(writing, MaskIn(code="M-1", arrays=(array,)))
    with database.writing("register wafer", operator_id=who) as writing:
        wafer = Wafer(code="W1", code_key="w1", registered_at=writing.now, oxide_um=2)
        pattern: Any = STEP_CLASSES["lithography"](done_at=writing.now, logged_at=writing.now, spin_rpm=4000)
        writing.add(wafer, pattern)
        writing.add(EventPiece(event_id=pattern.id, piece_id=wafer.id))
        arrays = writing.session.query(MaskArray).filter_by(mask_id=mask.id).all()
        exposure = {"piece_id": wafer.id, "root_id": wafer.id, "mask_array_id": arrays[0].id, "number": 1}
        writing.add(Exposure(lithography_id=pattern.id, **exposure))
    with database.writing("take in hand", operator_id=who) as writing:
        sites = [(1 + n // 10, 1 + n % 10) for n in range(count)]
        devices = take_sites(writing, writing.session.get_one(Wafer, wafer.id), 1, sites)
    return [device.id for device in devices]
