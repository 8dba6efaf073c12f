"""One device's whole life: what it inherits, shots, measurements, inspections, scans with Q, worked-out geometry."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.figures import q_text
from app.core.process.beam import energy_j, fluence_j_cm2, peak_intensity_w_cm2
from app.core.process.melt import NoShape, melted_length_um, toroid
from app.core.quantities import QUANTITIES
from app.core.reading import value_text
from app.core.vocab import CAUSES, SHOT_OUTCOMES, SHOT_PURPOSES, STAGES, VERDICTS, defect_words
from app.db.models.events import Event, Loss, PurposeChange, Taking
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Device, Lot, Piece
from app.db.models.seen import (
    Attachment,
    Defect,
    Finding,
    Inspection,
    Resonance,
    ResonanceFit,
    RingDown,
    Scan,
    UndercutMeasurement,
)
from app.db.models.steps import ReflowSession, ReflowShot
from app.queries.codes import PieceRef, tidy
from app.queries.histories import Fact, Happening, Names, names_for, piece_history, tell
from app.queries.maps import DeviceLine, devices_on
from app.queries.pieces import lineage_of


@dataclass(frozen=True)
class ShotLine:
    """One shot: dialled as on the laser, watts by the calibration then valid, and what they come to at the spot."""

    entry: int
    at: datetime
    session_id: int | None
    sequence: int
    who: str
    recipe: str
    purpose: str
    dialled: float | None
    dial_unit: str
    planned_dialled: float | None
    power_w: float | None
    exposure_s: float | None
    planned_exposure_s: float | None
    intensity_kw_cm2: float | None
    fluence_kj_cm2: float | None
    energy_j: float | None
    outcome: str
    voided: str


@dataclass(frozen=True)
class FitLine:
    """One fit of a resonance in a scan; Q in brackets of its 95 % interval."""

    id: int
    resonance: str
    model: str
    q: float | None
    q_low: float | None
    q_high: float | None
    at_least: bool
    linewidth_mhz: float | None
    splitting_mhz: float | None
    grade: str
    state: str
    checks: tuple[str, ...]


@dataclass(frozen=True)
class ScanLine:
    """One scan with its fits, latest fit of each resonance."""

    id: int
    at: datetime
    who: str
    file_name: str
    wavelength_nm: float | None
    medium: str
    picked: str
    fits: tuple[FitLine, ...]
    voided: str


@dataclass(frozen=True)
class Geometry:
    """What follows from what was measured; a reason where nothing follows."""

    minor_expected_um: float | None
    why_not: str
    disc_um: float | None
    oxide_um: float | None
    outer_um: float | None
    melted_um: float | None = None
    """Length of fibre a sphere took."""


@dataclass(frozen=True)
class DeviceSheet:
    """One device."""

    id: int
    code: str
    kind: str
    line: DeviceLine
    lineage: tuple[PieceRef, ...]
    facts: Mapping[str, Any]
    piece_facts: Mapping[str, Any]
    history: tuple[Happening, ...]
    shots: tuple[ShotLine, ...]
    scans: tuple[ScanLine, ...]
    geometry: Geometry
    fibre_um: float | None
    """Of a fibre end: what was melted, the diameter tapered to or the spool's cladding."""
    version: int


def device_sheet(session: Session, code: str) -> DeviceSheet | None:
    """The device with this code, whatever its case; None where there is none."""
    device = session.scalar(select(Device).where(Device.code_key == tidy(code).casefold()))
    if device is None:
        return None
    row = session.get_one(Piece, device.piece_id)
    piece = PieceRef(row.id, row.code, row.kind)
    lineage = lineage_of(session, piece)
    facts = dict(session.execute(select(DEVICE_FACTS).where(DEVICE_FACTS.c.device_id == device.id)).mappings().one())
    inherits = dict(session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id == piece.id)).mappings().one())
    line = next(each for each in devices_on(session, [piece.id]) if each.id == device.id)
    events = _own_events(session, device)
    names = names_for(session, events)
    spots = _spots(session, events)
    scans = _scans(session, [e for e in events if isinstance(e, Scan)], names)
    lot = session.get(Lot, row.lot_id) if row.lot_id else None
    cladding = (lot.properties or {}).get("cladding_um") if lot else None
    tapered = inherits["fibre_preparation_tapered_um"]
    fibre = tapered or (cladding if isinstance(cladding, (int, float)) else None)
    return DeviceSheet(
        id=device.id,
        code=device.code,
        kind=device.kind,
        line=line,
        lineage=tuple(lineage),
        facts=facts,
        piece_facts=inherits,
        history=tuple(_with_q(_history(session, lineage, device, events, names), scans)),
        shots=tuple(_shot(e, spots, names) for e in events if isinstance(e, ReflowShot)),
        scans=tuple(scans),
        geometry=_geometry(device.kind, facts, inherits, fibre),
        fibre_um=fibre,
        version=device.version,
    )


def _own_events(session: Session, device: Device) -> list[Any]:
    events: list[Any] = [session.get_one(Taking, device.taking_id)]
    for kind in (ReflowShot, UndercutMeasurement, Scan, RingDown, Loss, PurposeChange):
        events += session.scalars(select(kind).where(kind.device_id == device.id))
    seen = select(Inspection).join(Finding, Finding.inspection_id == Inspection.id)
    events += session.scalars(seen.where(Finding.device_id == device.id))
    return sorted(events, key=lambda event: (event.done_at, event.id))


def _spots(session: Session, events: Sequence[Event]) -> dict[int, float | None]:
    ids = {e.session_id for e in events if isinstance(e, ReflowShot) and e.session_id is not None}
    rows = session.execute(select(ReflowSession.id, ReflowSession.spot_um).where(ReflowSession.id.in_(ids)))
    return {row.id: row.spot_um for row in rows}


def _history(
    session: Session, lineage: Sequence[PieceRef], device: Device, events: Sequence[Any], names: Names
) -> list[Happening]:
    """Its own life and, as inherited, what its piece and the pieces before it went through, in one order of time."""
    inherited = [
        replace(each, inherited=True)
        for each in piece_history(session, lineage)
        if each.kind not in ("taking", "inspection") and not each.voided
    ]
    findings = _findings(session, device.id)
    own = [_own(event, device.kind, names, findings) for event in events]
    return sorted([*inherited, *own], key=lambda each: (each.at, each.entry))


def _with_q(history: Sequence[Happening], scans: Sequence[ScanLine]) -> list[Happening]:
    """Each scan with the Q it became, as far as somebody accepted it."""
    told = {scan.id: scan for scan in scans}
    result: list[Happening] = []
    for each in history:
        scan = told.get(each.entry)
        if scan is not None:
            qs = [
                f"Q {'at least ' if fit.at_least else ''}{q_text(fit.q, fit.q_low, fit.q_high)}, grade {fit.grade}"
                for fit in scan.fits
                if fit.state == "accepted" and fit.q is not None
            ]
            each = replace(each, facts=tuple(Fact(text) for text in qs or ["no accepted fit"]))
        result.append(each)
    return result


def _own(event: Any, kind: str, names: Names, findings: Mapping[int, tuple[Finding, list[str]]]) -> Happening:
    told = tell(event, names)
    if event.kind == "reflow":
        given = ((name, getattr(event, name)) for name in ("power_w", "exposure_s"))
        done = [value_text(round(value, 3), QUANTITIES[name]) for name, value in given if value is not None]
        done += [SHOT_OUTCOMES.get(event.outcome or "", event.outcome or "no outcome noted").lower()]
        melted = event.purpose == "reflow" and "melted" in STAGES[kind]
        purpose = "Melting" if melted else SHOT_PURPOSES.get(event.purpose, event.purpose)
        return replace(told, heading=f"{purpose} shot", facts=(Fact(", ".join(filter(None, done))),))
    if isinstance(event, UndercutMeasurement):
        return replace(told, facts=tuple(Fact(text) for text in _measured(event)))
    if isinstance(event, Scan):
        return replace(told, heading="Scan", facts=(), href=f"/scans/{event.id}")
    if isinstance(event, Inspection) and event.id in findings:
        finding, defects = findings[event.id]
        said = VERDICTS.get(finding.verdict, finding.verdict)
        sizes = [f"outer {finding.outer_um:g}\u00a0µm" if finding.outer_um is not None else ""]
        sizes += [f"minor {finding.minor_um:g}\u00a0µm" if finding.minor_um is not None else ""]
        texts = [said, ", ".join(defects), ", ".join(filter(None, sizes)), finding.note or ""]
        texts += [] if finding.named else ["among the rest, not named"]
        return replace(told, facts=tuple(Fact(text) for text in texts if text))
    if isinstance(event, Taking):
        return replace(told, facts=(Fact(f"as {event.purpose}"),), taken=())
    return told


def _measured(event: UndercutMeasurement) -> list[str]:
    pillars = [p for p in (event.pillar_top_x_um, event.pillar_top_y_um) if p is not None]
    texts = [f"disc {event.disc_um:g}\u00a0µm" if event.disc_um is not None else ""]
    texts += [f"pillar top {' × '.join(f'{p:g}' for p in pillars)}\u00a0µm" if pillars else ""]
    texts += [f"rim to pillar {event.rim_to_pillar_um:g}\u00a0µm" if event.rim_to_pillar_um is not None else ""]
    return [", ".join(filter(None, texts)), *([event.method] if event.method else [])]


def _findings(session: Session, device_id: int) -> dict[int, tuple[Finding, list[str]]]:
    rows = list(session.scalars(select(Finding).where(Finding.device_id == device_id)))
    words = defect_words()
    defects: dict[int, list[str]] = defaultdict(list)
    for defect in session.scalars(select(Defect).where(Defect.finding_id.in_([row.id for row in rows]))):
        cause = CAUSES.get(defect.caused_at or "", "")
        text = words.get(defect.kind, defect.kind)
        defects[defect.finding_id].append(f"{text}, caused at {cause.lower()}" if cause else text)
    return {row.inspection_id: (row, defects[row.id]) for row in rows}


def _shot(shot: Any, spots: Mapping[int, float | None], names: Names) -> ShotLine:
    recipe, planned = names.versions.get(shot.recipe_version_id or 0, ("", {}))
    spot, power, exposure = spots.get(shot.session_id or 0), shot.power_w, shot.exposure_s
    lit = power is not None and bool(spot)
    return ShotLine(
        entry=shot.id,
        at=shot.done_at,
        session_id=shot.session_id,
        sequence=shot.sequence,
        who=names.people.get(shot.operator_id or 0, ""),
        recipe=recipe,
        purpose=shot.purpose,
        dialled=shot.dialled,
        dial_unit=shot.dial_unit or "",
        planned_dialled=_departs(planned.get("dialled"), shot.dialled),
        power_w=power,
        exposure_s=exposure,
        planned_exposure_s=_departs(planned.get("exposure_s"), exposure),
        intensity_kw_cm2=peak_intensity_w_cm2(power, spot or 0) / 1000 if lit else None,
        fluence_kj_cm2=fluence_j_cm2(power, spot or 0, exposure) / 1000 if lit and exposure is not None else None,
        energy_j=energy_j(power, exposure) if power is not None and exposure is not None else None,
        outcome=shot.outcome or "",
        voided=_voided(shot, names),
    )


def _departs(planned: Any, value: float | None) -> float | None:
    return float(planned) if isinstance(planned, (int, float)) and value is not None and planned != value else None


def _voided(event: Event, names: Names) -> str:
    if event.voided_at is None:
        return ""
    return ", ".join(filter(None, (event.void_reason, names.people.get(event.voided_by_id or 0))))


def _scans(session: Session, scans: Sequence[Scan], names: Names) -> list[ScanLine]:
    ids = [scan.id for scan in scans]
    files = dict(
        session.execute(
            select(Attachment.id, Attachment.file_name).where(Attachment.id.in_([s.attachment_id for s in scans]))
        ).all()
    )
    fits: dict[int, dict[int, FitLine]] = defaultdict(dict)
    rows = session.execute(
        select(ResonanceFit, Resonance.label)
        .join(Resonance, Resonance.id == ResonanceFit.resonance_id)
        .where(ResonanceFit.scan_id.in_(ids))
        .order_by(ResonanceFit.id)
    )
    for fit, label in rows:
        fits[fit.scan_id][fit.resonance_id] = _fit(fit, label)
    return [
        ScanLine(
            id=scan.id,
            at=scan.done_at,
            who=names.people.get(scan.operator_id or 0, ""),
            file_name=files.get(scan.attachment_id, ""),
            wavelength_nm=scan.wavelength_nm,
            medium=scan.medium,
            picked=scan.picked,
            fits=tuple(fits[scan.id].values()),
            voided=_voided(scan, names),
        )
        for scan in scans
    ]


def _fit(fit: ResonanceFit, label: str) -> FitLine:
    found = [str(c.get("text") or c.get("code")) for c in fit.result.get("checks", []) if c.get("state") == "found"]
    return FitLine(
        id=fit.id,
        resonance=label,
        model=fit.model,
        q=fit.q_intrinsic,
        q_low=fit.q_intrinsic_low,
        q_high=fit.q_intrinsic_high,
        at_least=fit.grade == "C",
        linewidth_mhz=fit.linewidth_mhz,
        splitting_mhz=fit.splitting_mhz,
        grade=fit.grade or "",
        state=fit.state,
        checks=tuple(found),
    )


def _geometry(kind: str, facts: Mapping[str, Any], piece: Mapping[str, Any], fibre_um: float | None) -> Geometry:
    disc, oxide, outer = facts["disc_um"], piece["oxide_um"], facts["outer_um"]
    if kind != "microtoroid":
        wide = outer is not None and fibre_um is not None and outer >= fibre_um
        melted = melted_length_um(outer, fibre_um) if wide and fibre_um else None
        return Geometry(None, "", None, None, outer, melted)
    missing = [n for n, v in (("disc", disc), ("oxide thickness", oxide), ("outer diameter", outer)) if v is None]
    if missing:
        return Geometry(None, f"needs the {' and the '.join(missing)}", disc, oxide, outer)
    shape = toroid(disc, oxide, outer)
    if isinstance(shape, NoShape):
        return Geometry(None, shape.reason, disc, oxide, outer)
    return Geometry(shape.minor_um, "", disc, oxide, outer)
