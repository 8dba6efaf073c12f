"""Scans and their fits, read from the records: one scan's page, the upload form's lists, the latest scans."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, and_, or_, select
from sqlalchemy.orm import Session

from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.vocab import DEVICE_KINDS, FIT_STATES
from app.db.models.material import Device, Piece
from app.db.models.people import Operator, Tool
from app.db.models.seen import Attachment, Resonance, ResonanceFit, Scan
from app.queries.scan_views import AXIS_WORDS, REGIMES, ResultView, view_of
from app.queries.sites import lineage_ids

LATEST = 60


@dataclass(frozen=True)
class FitRow:
    """One fit in a table: of this scan, or of the same mode in another."""

    id: int
    version: int
    scan_id: int
    scan_at: datetime
    resonance_id: int
    label: str
    model: str
    regime: str
    window: str
    made_at: datetime
    made_by: str
    q: float | None
    q_low: float | None
    q_high: float | None
    grade: str
    state: str
    state_words: str
    reason: str
    judged_by: str
    judged_at: datetime | None
    input_power_uw: float | None
    taper_position_um: float | None


@dataclass(frozen=True, eq=False)
class ShownFit:
    """The fit a page is about."""

    row: FitRow
    number: int
    view: ResultView
    result: Mapping[str, Any]
    numbers: Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class ScanFacts:
    """One scan as recorded, its fits, and its neighbours in time on the same device."""

    id: int
    version: int
    device_code: str
    device_words: str
    trail: tuple[tuple[str, str], ...]
    done_at: datetime
    operator: str
    tool_id: int | None
    laser: str
    detector_id: int | None
    detector: str
    wavelength_nm: float | None
    input_power_uw: float | None
    sweep_mhz_per_s: float | None
    direction: str
    averages: int | None
    dark_v: float | None
    taper: str
    taper_position_um: float | None
    taper_transmission: float | None
    polarisation: str
    polarisation_known: str
    medium: str
    picked: str
    note: str
    reading: Mapping[str, Any]
    file_name: str
    size_bytes: int
    sha256: str
    voided: str
    earlier_id: int | None
    later_id: int | None
    fits: tuple[FitRow, ...]
    shown: ShownFit | None
    elsewhere: tuple[FitRow, ...]

    @property
    def axis_words(self) -> str:
        """Where the frequency axis comes from."""
        return AXIS_WORDS.get(str(self.reading.get("basis")), "")

    @property
    def understood_axis(self) -> str:
        """The axis column and, where one was given, its tuning rate."""
        parts = [f"column {self.reading.get('x_name', '')} in {self.reading.get('unit', '')}"]
        rates = [key for key in ("tuning_mhz_per_s", "tuning_mhz_per_v") if key in self.reading]
        parts += [_rate_text(self.reading[key], key.rsplit("_", 1)[1]) for key in rates]
        return ", ".join(parts)

    @property
    def power_words(self) -> str:
        """The input power to three figures: no power meter tells more."""
        if self.input_power_uw is None:
            return "not measured"
        return value_text(float(f"{self.input_power_uw:.3g}"), QUANTITIES["input_power_uw"])

    @property
    def no_fit(self) -> str:
        """Why nothing was fitted when the scan was kept; empty where something was."""
        return str(self.reading.get("no_fit", {}).get("text", ""))


def scan_facts(session: Session, scan_id: int, fit_id: int | None = None) -> ScanFacts | None:
    """Everything recorded of a scan; `fit_id` chooses the fit shown, else the accepted one, else the newest."""
    found = session.execute(
        select(Scan, Attachment, Device, Operator.initials)
        .join(Attachment, Attachment.id == Scan.attachment_id)
        .join(Device, Device.id == Scan.device_id)
        .outerjoin(Operator, Operator.id == Scan.operator_id)
        .where(Scan.id == scan_id)
    ).one_or_none()
    if found is None:
        return None
    scan, attachment, device, initials = found
    fits = _fits(session, ResonanceFit.scan_id == scan.id)
    shown = _shown(session, fits, fit_id)
    if fit_id is not None and shown is None:
        return None
    tools = _tool_names(session)
    earlier, later = _neighbours(session, scan)
    given = ("wavelength_nm", "input_power_uw", "sweep_mhz_per_s", "averages", "dark_v", "taper_position_um")
    return ScanFacts(
        id=scan.id,
        version=scan.version,
        device_code=device.code,
        device_words=_device_words(device),
        trail=trail_of(session, device),
        done_at=scan.done_at,
        operator=initials or "",
        tool_id=scan.tool_id,
        detector_id=scan.detector_id,
        laser=tools.get(scan.tool_id or 0, ""),
        detector=tools.get(scan.detector_id or 0, ""),
        **{name: getattr(scan, name) for name in given},
        direction=scan.direction or "",
        taper=scan.taper or "",
        taper_transmission=scan.taper_transmission,
        polarisation=scan.polarisation or "",
        polarisation_known=scan.polarisation_known or "",
        medium=scan.medium,
        picked=scan.picked,
        note=scan.note or "",
        reading=scan.reading,
        file_name=attachment.file_name,
        size_bytes=attachment.size_bytes,
        sha256=attachment.sha256,
        voided=(scan.void_reason or "entered by mistake") if scan.voided_at else "",
        earlier_id=earlier,
        later_id=later,
        fits=fits,
        shown=shown,
        elsewhere=_elsewhere(session, scan.id, shown),
    )


def _rate_text(mhz: float, per: str) -> str:
    """A tuning rate of a scan in the unit that keeps it short: -486 GHz/s."""
    step = next((step for step in (6, 3, 0, -3) if abs(mhz) >= 10.0**step), 0)
    unit = {6: "THz", 3: "GHz", 0: "MHz", -3: "kHz"}[step]
    scaled = mhz / 10.0**step
    return f"{f'{scaled:.6g}'.replace('-', '−')} {unit}/{per}"


def _device_words(device: Device) -> str:
    size = f", {device.nominal_um:g} µm on the mask" if device.nominal_um else ""
    return f"{DEVICE_KINDS[device.kind]}{size}"


def trail_of(session: Session, device: Device) -> tuple[tuple[str, str], ...]:
    """(label, address) of the pieces a device belongs to, eldest first, and of the device."""
    ids = lineage_ids(session, device.piece_id)
    codes = {row.id: row.code for row in session.execute(select(Piece.id, Piece.code).where(Piece.id.in_(ids)))}
    pieces = tuple((codes[each], f"/pieces/{codes[each]}") for each in reversed(ids))
    return (*pieces, (device.code, f"/devices/{device.code}"))


def _tool_names(session: Session) -> dict[int, str]:
    return {row.id: row.name for row in session.execute(select(Tool.id, Tool.name))}


def _neighbours(session: Session, scan: Scan) -> tuple[int | None, int | None]:
    """The device's valid scan before and after this one, by (done at, entry)."""
    others = select(Scan.id).where(Scan.device_id == scan.device_id, Scan.voided_at.is_(None), Scan.id != scan.id)
    before = or_(Scan.done_at < scan.done_at, and_(Scan.done_at == scan.done_at, Scan.id < scan.id))
    earlier = session.scalars(others.where(before).order_by(Scan.done_at.desc(), Scan.id.desc()).limit(1)).first()
    later = session.scalars(others.where(~before).order_by(Scan.done_at, Scan.id).limit(1)).first()
    return earlier, later


def _fit_statement(*conditions: Any) -> Select[Any]:
    judged = Operator.__table__.alias("judged_by")
    return (
        select(ResonanceFit, Resonance, Scan, Operator.initials, judged.c.initials.label("judge"))
        .join(Resonance, Resonance.id == ResonanceFit.resonance_id)
        .join(Scan, Scan.id == ResonanceFit.scan_id)
        .outerjoin(Operator, Operator.id == ResonanceFit.made_by_id)
        .outerjoin(judged, judged.c.id == ResonanceFit.judged_by_id)
        .where(*conditions)
        .order_by(ResonanceFit.id)
    )


def _fits(session: Session, *conditions: Any) -> tuple[FitRow, ...]:
    return tuple(_fit_row(*row) for row in session.execute(_fit_statement(*conditions)))


def _fit_row(fit: ResonanceFit, resonance: Resonance, scan: Scan, made_by: str | None, judge: str | None) -> FitRow:
    window = "whole scan"
    if fit.window_low is not None and fit.window_high is not None:
        window = f"{fit.window_low:.10g} to {fit.window_high:.10g} {scan.reading.get('unit', '')}".strip()
    return FitRow(
        id=fit.id,
        version=fit.version,
        scan_id=fit.scan_id,
        scan_at=scan.done_at,
        resonance_id=resonance.id,
        label=resonance.label,
        model=fit.model,
        regime=REGIMES.get(fit.result.get("regime", {}).get("reading", ""), ""),
        window=window,
        made_at=fit.made_at,
        made_by=made_by or "",
        q=fit.q_intrinsic,
        q_low=fit.q_intrinsic_low,
        q_high=fit.q_intrinsic_high,
        grade=fit.grade or "",
        state=fit.state,
        state_words=FIT_STATES[fit.state],
        reason=fit.judged_reason or "",
        judged_by=judge or "",
        judged_at=fit.judged_at,
        input_power_uw=scan.input_power_uw,
        taper_position_um=scan.taper_position_um,
    )


def _shown(session: Session, fits: tuple[FitRow, ...], fit_id: int | None) -> ShownFit | None:
    if fit_id is None:
        ranked = sorted(fits, key=lambda row: (row.state != "accepted", row.state == "set_aside", -row.id))
        row = ranked[0] if ranked else None
    else:
        row = next((each for each in fits if each.id == fit_id), None)
    if row is None:
        return None
    fit = session.get_one(ResonanceFit, row.id)
    number = 1 + [each.id for each in fits].index(row.id)
    return ShownFit(row, number, view_of(fit.result), fit.result, fit.numbers)


def _elsewhere(session: Session, scan_id: int, shown: ShownFit | None) -> tuple[FitRow, ...]:
    """The same mode in other scans: of each scan the accepted fit, else the newest, in order of time."""
    if shown is None:
        return ()
    rows = _fits(
        session,
        ResonanceFit.resonance_id == shown.row.resonance_id,
        ResonanceFit.scan_id != scan_id,
        Scan.voided_at.is_(None),
    )
    best: dict[int, FitRow] = {}
    for row in rows:
        if row.scan_id not in best or row.state == "accepted" or best[row.scan_id].state != "accepted":
            best[row.scan_id] = row
    return tuple(sorted(best.values(), key=lambda row: (row.scan_at, row.scan_id)))


@dataclass(frozen=True)
class ScanRow:
    """A scan in a list, with its device's code and its best-judged fit."""

    id: int
    device_code: str
    done_at: datetime
    operator: str
    wavelength_nm: float | None
    medium: str
    file_name: str
    fit: FitRow | None


def latest_scans(session: Session, count: int = LATEST) -> tuple[ScanRow, ...]:
    """The newest valid scans, newest first, each with its accepted fit, else its newest."""
    rows = session.execute(
        select(Scan, Device.code, Operator.initials, Attachment.file_name)
        .join(Device, Device.id == Scan.device_id)
        .join(Attachment, Attachment.id == Scan.attachment_id)
        .outerjoin(Operator, Operator.id == Scan.operator_id)
        .where(Scan.voided_at.is_(None))
        .order_by(Scan.done_at.desc(), Scan.id.desc())
        .limit(count)
    ).all()
    best: dict[int, FitRow] = {}
    for fit in _fits(session, ResonanceFit.scan_id.in_([scan.id for scan, *_ in rows])):
        if fit.scan_id not in best or fit.state == "accepted" or best[fit.scan_id].state != "accepted":
            best[fit.scan_id] = fit
    return tuple(
        ScanRow(scan.id, code, scan.done_at, initials or "", scan.wavelength_nm, scan.medium, name, best.get(scan.id))
        for scan, code, initials, name in rows
    )


@dataclass(frozen=True)
class UploadFacts:
    """What the upload form needs to know: the device, its modes, the lab's lasers and detectors, the last scan."""

    device_code: str
    device_words: str
    trail: tuple[tuple[str, str], ...]
    modes: tuple[str, ...]
    lasers: Mapping[str, str]
    detectors: Mapping[str, str]
    last: Mapping[str, Any]
    """Settings of the last scan that anybody logged, as hints."""


def upload_facts(session: Session, device_code: str) -> UploadFacts | None:
    """For the upload form of a device; None where there is no such device."""
    device = session.scalar(select(Device).where(Device.code_key == device_code.casefold()))
    if device is None:
        return None
    modes = session.scalars(select(Resonance.label).where(Resonance.device_id == device.id).order_by(Resonance.id))
    last = session.scalars(select(Scan).where(Scan.voided_at.is_(None)).order_by(Scan.id.desc()).limit(1)).first()
    return UploadFacts(
        device.code,
        _device_words(device),
        trail_of(session, device),
        tuple(modes),
        _tools(session, "probe_laser"),
        _tools(session, "detector"),
        {} if last is None else {**last.reading, "dark_v": last.dark_v},
    )


def _tools(session: Session, kind: str) -> dict[str, str]:
    rows = session.execute(select(Tool.id, Tool.code, Tool.name).where(Tool.kind == kind).order_by(Tool.code_key))
    return {str(row.id): f"{row.code}, {row.name}" for row in rows}
