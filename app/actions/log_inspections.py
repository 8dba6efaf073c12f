"""Inspections: some devices, all of a piece with exceptions named, or k of n."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import or_, select

from app.actions.naming import devices_named, pieces_named
from app.actions.ranges import Given, check_ranges
from app.actions.rules import NEW, check_new_rows, event_times
from app.actions.settings import tool_of
from app.core.refusal import Refusal, Where
from app.core.stages import last_stage
from app.core.timeline import Deed
from app.core.vocab import CAUSES, STAGES, VERDICTS, cause_of_defect
from app.db.models.events import EventPiece
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Device, Piece
from app.db.models.seen import Defect, Finding, Inspection
from app.db.session import Writing
from app.schemas.log import FindingIn, InspectionIn

SIZES = ("outer_um", "minor_um", "roundness_um")


def record_inspection(writing: Writing, data: InspectionIn) -> Inspection:
    """Record what was seen of devices at a stage; sites named for the first time are taken in hand.

    Cover `all` passes every other device in hand on the piece with the verdict `rest`, save those that had been
    rejected or lost by then: a reject counts again only where it is named and `reinstates` says why.
    """
    piece = pieces_named(writing.session, [data.piece_id])[0] if data.piece_id is not None else None
    tool_of(writing.session, data.tool_id)
    _check_cover(data, piece)
    _check_words(data)
    check_ranges(writing, _numbers(data.rows), confirmed=data.confirmed)
    times = event_times(writing, data.done_at)
    devices = devices_named(
        writing, [row.device for row in data.rows], piece_id=data.piece_id, done_at=times["done_at"], twice=False
    )
    _check_stage(writing, data, piece, devices)
    pieces = {piece.id} if piece else {device.piece_id for device in devices}
    failed = _failed(writing, devices, data.stage)
    _check_reinstated(data, devices, failed)
    deeds = [
        Deed(NEW + row, times["done_at"], "inspection", device=device.id, label=f"Inspecting {device.code}")
        for row, device in enumerate(devices)
    ]
    whole = Deed(NEW - 1, times["done_at"], "inspection", tuple(sorted(pieces)), label="Inspection")
    check_new_rows(writing, pieces, [*deeds, whole], at="device")
    inspection = Inspection(
        **times,
        operator_id=writing.operator_id,
        tool_id=data.tool_id,
        device_id=None,
        stage=data.stage,
        cover=data.cover,
        seen_n=data.seen_n if data.cover == "sample" else None,
        of_n=data.of_n if data.cover == "sample" else None,
        method=data.method,
        reinstates=data.reinstates if any(device.id in failed for device in devices) else None,
        note=data.note,
    )
    writing.add(inspection)
    writing.add(*[EventPiece(event_id=inspection.id, piece_id=piece_id) for piece_id in sorted(pieces)])
    _add_findings(writing, inspection, data, devices)
    return inspection


def _check_cover(data: InspectionIn, piece: Piece | None) -> None:
    if data.cover != "devices" and piece is None:
        raise Refusal.of("Say which piece was looked at.", at="piece_id")
    if data.cover == "devices" and not data.rows:
        raise Refusal.of("Name at least one device, or say that all were seen.")
    if data.cover == "sample":
        errors: dict[Where, str] = {}
        if not data.seen_n or data.seen_n < 1:
            errors[None, "seen_n"] = "Say how many were seen."
        if not data.of_n or data.of_n < 1:
            errors[None, "of_n"] = "Say of how many."
        if not errors and (data.seen_n or 0) > (data.of_n or 0):
            errors[None, "seen_n"] = f"{data.seen_n} seen of {data.of_n} cannot be."
        if not errors and len(data.rows) > (data.seen_n or 0):
            errors[None, "seen_n"] = f"{len(data.rows)} devices are named, but only {data.seen_n} were seen."
        if errors:
            raise Refusal(errors)


def _check_words(data: InspectionIn) -> None:
    errors: dict[Where, str] = {}
    if data.rest not in VERDICTS:
        errors[None, "rest"] = f"'{data.rest}' is no verdict."
    if data.cover == "all" and data.rest == "reject":
        errors[None, "rest"] = "The rest cannot be rejects unnamed: name the devices that are rejected."
    for row, finding in enumerate(data.rows):
        if finding.verdict not in VERDICTS:
            errors[row, "verdict"] = "Give a verdict: good, usable or reject."
        for defect in finding.defects:
            if defect.caused_at is not None and defect.caused_at not in CAUSES:
                errors[row, "caused_at"] = f"'{defect.caused_at}' is no step that can cause a defect."
        if finding.outer_um is not None and finding.minor_um is not None and finding.minor_um > finding.outer_um:
            errors[row, "minor_um"] = "The minor diameter cannot be larger than the outer one."
    if errors:
        raise Refusal(errors)


def _numbers(rows: Sequence[FindingIn]) -> list[Given]:
    return [
        Given(name, value, row=row)
        for row, finding in enumerate(rows)
        for name in SIZES
        if (value := getattr(finding, name)) is not None
    ]


def _check_stage(writing: Writing, data: InspectionIn, piece: Piece | None, devices: Sequence[Device]) -> None:
    kinds = {device.kind for device in devices}
    if piece is not None:
        kinds.add("microsphere" if piece.kind == "fibre_batch" else "microtoroid")
    for kind in sorted(kinds):
        if data.stage not in STAGES[kind]:
            what = "fibre ends" if kind == "microsphere" else "discs of a wafer or chip"
            raise Refusal.of(f"{what.capitalize()} have no stage '{data.stage}'.", at="stage")
    if data.cover == "all" and piece is not None and not devices:
        some = writing.session.scalar(select(Device.id).where(Device.piece_id == piece.id).limit(1))
        if some is None:
            raise Refusal.of(f"No device of {piece.code} is in hand yet: take sites in hand first.", at="piece_id")


def _upto(stage: str) -> list[str]:
    """The stage and those before it."""
    stages = next(list(each) for each in STAGES.values() if stage in each)
    return stages[: stages.index(stage) + 1]


def _failed(writing: Writing, devices: Sequence[Device], stage: str) -> frozenset[int]:
    """Which of the devices stand as failed at this very stage."""
    facts = DEVICE_FACTS.c
    statement = select(facts.device_id).where(
        facts.device_id.in_([device.id for device in devices]), facts[f"{stage}_outcome"] == "failed"
    )
    return frozenset(writing.session.scalars(statement))


def _check_reinstated(data: InspectionIn, devices: Sequence[Device], failed: frozenset[int]) -> None:
    again = [
        device.code
        for device, finding in zip(devices, data.rows, strict=True)
        if device.id in failed and finding.verdict != "reject"
    ]
    counts = "it counts" if len(again) == 1 else "they count"
    if again and not (data.reinstates or "").strip():
        raise Refusal.of(
            f"{', '.join(again)} stood as rejected at this stage. Say why {counts} again.", at="reinstates"
        )


def _add_findings(writing: Writing, inspection: Inspection, data: InspectionIn, devices: Sequence[Device]) -> None:
    findings = [
        Finding(
            inspection_id=inspection.id,
            device_id=device.id,
            verdict=finding.verdict,
            named=True,
            note=finding.note,
            **{name: getattr(finding, name) for name in SIZES},
        )
        for device, finding in zip(devices, data.rows, strict=True)
    ]
    rest: list[Finding] = []
    if data.cover == "all":
        rest = [
            Finding(inspection_id=inspection.id, device_id=device_id, verdict=data.rest, named=False)
            for device_id in _rest(writing, data, {device.id for device in devices})
        ]
    writing.add(*findings, *rest)
    writing.add(
        *[
            Defect(finding_id=row.id, kind=defect.kind, caused_at=defect.caused_at or cause_of_defect(defect.kind))
            for row, finding in zip(findings, data.rows, strict=True)
            for defect in finding.defects
        ]
    )


def _rest(writing: Writing, data: InspectionIn, named: set[int]) -> list[int]:
    """Devices in hand on the piece that were not named, without those rejected or lost before.

    Where shots are logged, a rim or sphere is seen only on devices that were shot.
    """
    facts = DEVICE_FACTS.c
    out = or_(
        facts["lost_at"].is_not(None),
        facts["reflow_outcome"] == "gone",
        *[facts[f"{stage}_outcome"] == "failed" for stage in _upto(data.stage)],
    )
    out_ids = set(writing.session.scalars(select(facts["device_id"]).where(facts["piece_id"] == data.piece_id, out)))
    if data.stage in {last_stage(kind) for kind in STAGES}:
        shots = writing.session.execute(
            select(facts["device_id"], facts["reflow_shots"]).where(facts["piece_id"] == data.piece_id)
        ).all()
        if any(row.reflow_shots for row in shots):
            out_ids |= {row.device_id for row in shots if not row.reflow_shots}
    ids = writing.session.scalars(select(Device.id).where(Device.piece_id == data.piece_id).order_by(Device.id))
    return [device_id for device_id in ids if device_id not in named and device_id not in out_ids]
