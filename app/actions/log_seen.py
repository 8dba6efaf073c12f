"""What was measured: disc and pillar of devices, oxide thickness of a piece."""

from __future__ import annotations

from sqlalchemy import select

from app.actions.naming import devices_named, pieces_named
from app.actions.ranges import Given, check_ranges
from app.actions.rules import NEW, check_new_deeds, check_new_rows, event_times
from app.actions.settings import tool_of
from app.core.refusal import Refusal, Where
from app.core.timeline import Deed
from app.db.models.events import EventPiece
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Device
from app.db.models.seen import OxideMeasurement, UndercutMeasurement
from app.db.session import Writing
from app.schemas.log import MeasurementIn, MeasurementsIn, OxideIn

SIZES = ("disc_um", "pillar_top_x_um", "pillar_top_y_um", "pillar_offset_um", "rim_to_pillar_um")
MOST_POINTS = 500


def record_undercut_measurements(writing: Writing, data: MeasurementsIn) -> list[UndercutMeasurement]:
    """Record disc and pillar of several devices, all or none; sites named for the first time are taken in hand."""
    if not data.rows:
        raise Refusal.of("There is nothing to log: fill in at least one row.")
    tool_of(writing.session, data.tool_id)
    _check_sense(data)
    times = event_times(writing, data.done_at)
    devices = devices_named(
        writing, [row.device for row in data.rows], piece_id=data.piece_id, done_at=times["done_at"], twice=False
    )
    versions = _undercut_versions(writing, devices)
    for version_id in dict.fromkeys(versions):
        numbers = [
            each
            for row, measured in enumerate(data.rows)
            if versions[row] == version_id
            for each in _numbers(measured, row)
        ]
        check_ranges(writing, numbers, recipe_version_id=version_id, confirmed=data.confirmed)
    deeds = [
        Deed(NEW + row, times["done_at"], "undercut_measurement", device=device.id, label=f"Measuring {device.code}")
        for row, device in enumerate(devices)
    ]
    check_new_rows(writing, {device.piece_id for device in devices}, deeds, at="device")
    events = [
        UndercutMeasurement(
            **times,
            operator_id=writing.operator_id,
            tool_id=data.tool_id,
            device_id=device.id,
            method=data.method,
            note=measured.note or data.note,
            sources={name: "typed" for name in SIZES if getattr(measured, name) is not None},
            **{name: getattr(measured, name) for name in SIZES},
        )
        for device, measured in zip(devices, data.rows, strict=True)
    ]
    writing.add(*events)
    return events


def _check_sense(data: MeasurementsIn) -> None:
    errors: dict[Where, str] = {}
    for row, measured in enumerate(data.rows):
        if all(getattr(measured, name) is None for name in SIZES):
            errors[row, "disc_um"] = "Nothing was measured in this row."
        for name in ("pillar_top_x_um", "pillar_top_y_um"):
            pillar = getattr(measured, name)
            if pillar is not None and measured.disc_um is not None and pillar > measured.disc_um:
                errors[row, name] = (
                    f"A pillar top of {pillar:g} µm does not fit under a disc of {measured.disc_um:g} µm."
                )
    if errors:
        raise Refusal(errors)


def _numbers(measured: MeasurementIn, row: int) -> list[Given]:
    """The sizes, and the pillar ratio where it was measured before reflow: asked about at the pillar's field."""
    numbers = [Given(name, value, row=row) for name in SIZES if (value := getattr(measured, name)) is not None]
    pillars = [p for p in (measured.pillar_top_x_um, measured.pillar_top_y_um) if p is not None]
    if pillars and measured.disc_um and measured.rim_to_pillar_um is None:
        ratio = sum(pillars) / len(pillars) / measured.disc_um
        numbers.append(Given("pillar_ratio", round(ratio, 3), row=row))
    return numbers


def _undercut_versions(writing: Writing, devices: list[Device]) -> list[int | None]:
    """The undercut recipe version of each device's piece: what is usual is confirmed once for that."""
    facts = PIECE_FACTS.c
    statement = select(facts.piece_id, facts.undercut_recipe_version_id).where(
        facts.piece_id.in_({device.piece_id for device in devices})
    )
    versions = {row.piece_id: row.undercut_recipe_version_id for row in writing.session.execute(statement)}
    return [versions.get(device.piece_id) for device in devices]


def record_oxide_measurement(writing: Writing, data: OxideIn) -> OxideMeasurement:
    """Record oxide thickness of a piece at n points."""
    (piece,) = pieces_named(writing.session, [data.piece_id])
    tool_of(writing.session, data.tool_id)
    if piece.kind == "fibre_batch":
        raise Refusal.of(f"{piece.code} is a fibre batch: it has no oxide layer.", at="piece_id")
    if not data.points_um:
        raise Refusal.of("Give the thickness of at least one point.", at="points_um")
    if len(data.points_um) > MOST_POINTS:
        raise Refusal.of(f"At most {MOST_POINTS} points go into one measurement.", at="points_um")
    numbers = [Given("oxide_um", value, at="points_um") for value in data.points_um]
    check_ranges(writing, numbers, confirmed=data.confirmed)
    times = event_times(writing, data.done_at)
    deed = Deed(NEW, times["done_at"], "oxide_measurement", (piece.id,), label="Oxide measurement")
    check_new_deeds(writing, [piece.id], [deed])
    event = OxideMeasurement(
        **times,
        operator_id=writing.operator_id,
        tool_id=data.tool_id,
        points_um=[float(value) for value in data.points_um],
        method=data.method,
        note=data.note,
        sources={"points_um": "typed"},
    )
    writing.add(event)
    writing.add(EventPiece(event_id=event.id, piece_id=piece.id))
    return event
