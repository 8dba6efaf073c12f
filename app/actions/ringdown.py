"""Keeping a ring-down with its file, lifetime and Q."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from app.actions.rules import NEW, check_new_deeds, event_times
from app.core.bands import band_of
from app.core.optics.axis import choose_columns
from app.core.optics.results import AxisOptions, Measured
from app.core.optics.ringdown import RingDownFit, RingDownUnreadable, fit_ringdown
from app.core.optics.unreadable import ScanUnreadable
from app.core.refusal import Refusal
from app.core.timeline import Deed
from app.db.models.material import Device
from app.db.models.people import Tool
from app.db.models.seen import Attachment, Resonance, RingDown
from app.db.session import Writing
from app.files import FileStore
from app.queries.scan_files import columns_of, refusal_of
from app.queries.series import ModeScan, mode_facts
from app.schemas.series import RingDownIn

NS = {"s": 1e9, "ms": 1e6, "us": 1e3, "ns": 1.0}
_NS_HEADING = re.compile(r"(?:^|[\s(\[_/])ns[\s)\]]*$", re.IGNORECASE)
SAME_COUPLING_DAYS = 1.0
"""A scan this near in time is taken to tell the coupling of a ring-down."""


@dataclass(frozen=True, eq=False)
class PreparedRingDown:
    """A file that is stored under `sha256` and whose decay is fitted."""

    sha256: str
    size_bytes: int
    understood: str
    fit: RingDownFit


def prepare_ringdown(files: FileStore, content: bytes, data: RingDownIn) -> PreparedRingDown:
    """Read and fit `content` and store it; before the writing session opens. Refusal where there is no decay in it."""
    try:
        columns = columns_of(content)
        at_x, at_y = choose_columns(columns, AxisOptions(x=data.x, y=data.y))
    except ScanUnreadable as unreadable:
        raise refusal_of(unreadable) from unreadable
    unit = data.time_unit or columns.units[at_x]
    if unit not in NS and _NS_HEADING.search(columns.names[at_x]):
        unit = "ns"
    if unit not in NS:
        raise Refusal.of("The file does not say in what unit its time is: choose it here.", at="time_unit")
    try:
        fit = fit_ringdown(
            columns.values[:, at_x] * NS[unit],
            columns.values[:, at_y],
            off_ns=data.off_ns,
            response_ns=data.response_ns,
        )
    except RingDownUnreadable as why:
        raise Refusal.of(str(why), at="file") from why
    understood = f"{columns.in_words()}; {columns.names[at_x]} in {unit}, {columns.names[at_y]}"
    return PreparedRingDown(files.put(content), len(content), understood, fit)


def keep_ringdown(writing: Writing, data: RingDownIn, prepared: PreparedRingDown) -> RingDown:
    """Keep a ring-down of a mode; refuses a file that is a ring-down of this device already.

    Intrinsic Q is given where a scan of the same mode within a day tells the coupling.
    """
    device = writing.session.scalar(select(Device).where(Device.code_key == data.device_code.casefold()))
    if device is None:
        raise Refusal.of(f"There is no device {data.device_code}.", at="device_code")
    if data.tool_id is not None and writing.session.get(Tool, data.tool_id) is None:
        raise Refusal.of("There is no such tool.", at="tool_id")
    _check_new(writing, device, prepared.sha256)
    times = event_times(writing, data.done_at)
    deed = Deed(NEW, times["done_at"], "ring_down", device=device.id, label="Ring-down")
    check_new_deeds(writing, [device.piece_id], [deed])
    resonance = _resonance(writing, device, data)
    facts = mode_facts(writing.session, device.code, resonance.label)
    scans = facts.scans if facts else ()
    away = {scan.scan_id: abs((scan.at - times["done_at"]).total_seconds()) / 86400 for scan in scans}
    near = [scan for scan in scans if away[scan.scan_id] < SAME_COUPLING_DAYS]
    scan = min(near, key=lambda each: away[each.scan_id], default=None)
    attachment = Attachment(
        sha256=prepared.sha256,
        file_name=data.file_name,
        media_type="text/plain",
        size_bytes=prepared.size_bytes,
        kept_at=writing.now,
        of_table="ring_down",
    )
    writing.add(attachment)
    event = RingDown(
        **times,
        operator_id=writing.operator_id,
        device_id=device.id,
        tool_id=data.tool_id,
        note=data.note,
        resonance_id=resonance.id,
        attachment_id=attachment.id,
        lifetime_ns=prepared.fit.lifetime_ns.value,
        numbers=numbers_of(prepared, data, scan),
    )
    writing.add(event)
    attachment.of_id = event.id
    return event


def numbers_of(prepared: PreparedRingDown, data: RingDownIn, scan: ModeScan | None) -> dict[str, Any]:
    """The fit as plain numbers, how the file was read, and where the coupling came from."""
    fit = prepared.fit
    intrinsic = None
    if scan is not None:
        over = scan.signed and scan.balance < 0
        intrinsic = fit.q_intrinsic(data.wavelength_nm, abs(scan.balance), scan.balance_sigma, over=over)
    return {
        "model": fit.model,
        "lifetime_ns": _plain(fit.lifetime_ns),
        "linewidth_mhz": _plain(fit.linewidth_mhz),
        "beat_mhz": _plain(fit.beat_mhz),
        "q_loaded": _plain(fit.q_loaded(data.wavelength_nm)),
        "q_intrinsic": _plain(intrinsic),
        "coupling_of_scan": scan.scan_id if scan else None,
        "wavelength_nm": data.wavelength_nm,
        "off_ns": fit.off_ns,
        "points": fit.points,
        "lifetimes": fit.lifetimes,
        "noise": fit.noise,
        "doubts": list(fit.doubts),
        "read": {**data.model_dump(include={"x", "y", "time_unit"}), "understood": prepared.understood},
    }


def _plain(measured: Measured | None) -> dict[str, float | None] | None:
    return None if measured is None else {k: getattr(measured, k) for k in ("value", "sigma", "low", "high")}


def _check_new(writing: Writing, device: Device, sha256: str) -> None:
    known = writing.session.scalar(
        select(RingDown.id)
        .join(Attachment, Attachment.id == RingDown.attachment_id)
        .where(Attachment.sha256 == sha256, RingDown.device_id == device.id, RingDown.voided_at.is_(None))
    )
    if known is not None:
        raise Refusal.of(f"This very file is kept already for {device.code}, as a ring-down.", at="file")


def _resonance(writing: Writing, device: Device, data: RingDownIn) -> Resonance:
    label = " ".join(data.label.split())
    if not label:
        raise Refusal.of("Say which mode rang.", at="label")
    for each in writing.session.scalars(select(Resonance).where(Resonance.device_id == device.id)):
        if each.label.casefold() == label.casefold():
            if each.band != band_of(data.wavelength_nm):
                raise Refusal.of(f"“{each.label}” lies at {each.band}, this ring-down does not.", at="wavelength_nm")
            return each
    made = Resonance(device_id=device.id, label=label, band=band_of(data.wavelength_nm), medium="air")
    writing.add(made)
    return made
