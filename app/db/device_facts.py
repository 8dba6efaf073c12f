"""Each device's own facts: its deeds, sights and fits folded into one row (and one row of Q a band and medium)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.core.process.beam import peak_intensity_w_cm2
from app.core.stages import DeviceDeed, outcomes
from app.core.step_catalogue import STEPS
from app.db.models.events import Event, Loss, PurposeChange
from app.db.models.facts import ALL_STAGES, DEVICE_FACTS
from app.db.models.material import Device, Exposure, MaskArray
from app.db.models.recipes import RecipeVersion
from app.db.models.seen import (
    Defect,
    Finding,
    Inspection,
    Resonance,
    ResonanceFit,
    Scan,
    UndercutMeasurement,
)
from app.db.models.steps import ReflowSession, ReflowShot

KINDS: dict[str, type[Event]] = {
    "reflow": ReflowShot,
    "undercut_measurement": UndercutMeasurement,
    "scan": Scan,
    "loss": Loss,
    "purpose_change": PurposeChange,
}

GOOD_GRADES = frozenset({"A", "B"})


@dataclass
class _Life:
    """Everything valid that is known of one device, each list in order of (done_at, entry)."""

    events: list[Any] = field(default_factory=list)
    findings: list[tuple[Inspection, Finding]] = field(default_factory=list)
    fits: list[tuple[ResonanceFit, Resonance, Scan]] = field(default_factory=list)

    def of(self, kind: str) -> list[Any]:
        return [event for event in self.events if event.kind == kind]


def device_rows(session: Session, ids: Sequence[int]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """(rows of DEVICE_FACTS, rows of DEVICE_Q) for these devices."""
    lives = _lives(session, ids)
    defects = _defects(session, [finding.id for life in lives.values() for _, finding in life.findings])
    shots = [shot for life in lives.values() for shot in life.of("reflow")]
    spots = _by_id(session, select(ReflowSession.id, ReflowSession.spot_um), {s.session_id for s in shots})
    planned = _by_id(
        session, select(RecipeVersion.id, RecipeVersion.planned_shots), {s.recipe_version_id for s in shots}
    )
    facts, q_rows = [], []
    for device, exposure, array in _devices(session, ids):
        life = lives[device.id]
        row: dict[str, Any] = dict.fromkeys((column.name for column in DEVICE_FACTS.columns), None)
        row.update({f"{stage}_{flag}": False for stage in ALL_STAGES for flag in ("counts", "first_pass")})
        row.update(_place(device, exposure, array))
        row.update(_measured(life, row["disc_um"]))
        row.update(_reflow(life, spots))
        row.update(_stages(device, life, planned))
        row.update(_seen(life, defects))
        row.update(_fate(device, life))
        q = _q_rows(device.id, life)
        row.update(_main_q(q))
        facts.append(row)
        q_rows += q
    return facts, q_rows


def _devices(session: Session, ids: Sequence[int]) -> list[tuple[Device, Exposure | None, MaskArray | None]]:
    statement = (
        select(Device, Exposure, MaskArray)
        .outerjoin(Exposure, Exposure.id == Device.exposure_id)
        .outerjoin(MaskArray, MaskArray.id == Exposure.mask_array_id)
        .where(Device.id.in_(ids))
    )
    return [(device, exposure, array) for device, exposure, array in session.execute(statement)]


def _lives(session: Session, ids: Sequence[int]) -> dict[int, _Life]:
    lives: dict[int, _Life] = defaultdict(_Life)
    for kind in KINDS.values():
        for event in session.scalars(select(kind).where(kind.device_id.in_(ids), kind.voided_at.is_(None))):
            lives[event.device_id or 0].events.append(event)
    for life in lives.values():
        life.events.sort(key=lambda event: (event.done_at, event.id))
    seen = (
        select(Inspection, Finding)
        .join(Finding, Finding.inspection_id == Inspection.id)
        .where(Finding.device_id.in_(ids), Inspection.voided_at.is_(None))
        .order_by(Inspection.done_at, Inspection.id)
    )
    for inspection, finding in session.execute(seen):
        lives[finding.device_id].findings.append((inspection, finding))
    fitted = (
        select(ResonanceFit, Resonance, Scan)
        .join(Resonance, Resonance.id == ResonanceFit.resonance_id)
        .join(Scan, Scan.id == ResonanceFit.scan_id)
        .where(Resonance.device_id.in_(ids), Scan.voided_at.is_(None), ResonanceFit.state == "accepted")
        .order_by(ResonanceFit.id)
    )
    for fit, resonance, scan in session.execute(fitted):
        lives[resonance.device_id].fits.append((fit, resonance, scan))
    return lives


def _defects(session: Session, finding_ids: Sequence[int]) -> dict[int, list[Defect]]:
    result: dict[int, list[Defect]] = defaultdict(list)
    if finding_ids:
        for defect in session.scalars(select(Defect).where(Defect.finding_id.in_(finding_ids)).order_by(Defect.id)):
            result[defect.finding_id].append(defect)
    return result


def _by_id(session: Session, statement: Any, ids: set[int | None]) -> dict[int, Any]:
    wanted = {each for each in ids if each is not None}
    if not wanted:
        return {}
    key = statement.selected_columns[0]
    return {row[0]: row[1] for row in session.execute(statement.where(key.in_(wanted)))}


def _place(device: Device, exposure: Exposure | None, array: MaskArray | None) -> dict[str, Any]:
    return {
        "device_id": device.id,
        "piece_id": device.piece_id,
        "device_code": device.code,
        "device_kind": device.kind,
        "mask_array_id": array.id if array else None,
        "array_number": exposure.number if exposure else None,
        "lithography_id": exposure.lithography_id if exposure else None,
        "row": device.row,
        "column": device.column,
        "nominal_um": device.nominal_um,
        "disc_um": device.nominal_um if device.kind == "microtoroid" else None,
    }


def _measured(life: _Life, mask_um: float | None) -> dict[str, Any]:
    """Disc and pillar as last measured before reflow; the ratio is against the disc measured with it."""
    row: dict[str, Any] = {}
    for seen in life.of("undercut_measurement"):
        if seen.disc_um is not None:
            row["disc_um"] = seen.disc_um
        pillars = [p for p in (seen.pillar_top_x_um, seen.pillar_top_y_um) if p is not None]
        disc = seen.disc_um or mask_um
        if pillars and disc and seen.rim_to_pillar_um is None:
            pillar = sum(pillars) / len(pillars)
            row["pillar_ratio"], row["undercut_um"] = pillar / disc, (disc - pillar) / 2
            row["pillar_offset_um"] = seen.pillar_offset_um
    return row


def _reflow(life: _Life, spots: dict[int, float | None]) -> dict[str, Any]:
    shots = [shot for shot in life.of("reflow") if shot.purpose != "power_test"]
    if not shots:
        return {"reflow_shots": 0}
    first, last = shots[0], shots[-1]
    spot = spots.get(last.session_id)
    row = {
        "reflow_session_id": last.session_id,
        "reflow_recipe_version_id": last.recipe_version_id,
        "reflow_operator_id": last.operator_id,
        "reflow_at": last.done_at,
        "reflow_shots": len(shots),
        "reflow_first_power_w": first.power_w,
        "reflow_first_exposure_s": first.exposure_s,
        "reflow_power_w": last.power_w,
        "reflow_spot_um": spot,
        "reflow_outcome": last.outcome,
    }
    if last.power_w is not None and spot:
        row["reflow_intensity_kw_cm2"] = peak_intensity_w_cm2(last.power_w, spot) / 1000
    row.update({f"reflow_{each.name}": getattr(last, each.name) for each in STEPS["reflow"].settings})
    return row


def _stages(device: Device, life: _Life, planned: dict[int, int | None]) -> dict[str, Any]:
    deeds = [_deed(event) for event in life.events]
    deeds += [
        DeviceDeed(inspection.id, inspection.done_at, "inspection", stage=inspection.stage, verdict=finding.verdict)
        for inspection, finding in life.findings
    ]
    shots = life.of("reflow")
    plan = planned.get(shots[-1].recipe_version_id) if shots else None
    row: dict[str, Any] = {}
    for stage, outcome in outcomes(device.kind, device.purpose, deeds, planned_shots=plan).items():
        row[f"{stage}_outcome"] = outcome.outcome or None
        row[f"{stage}_verdict"] = outcome.verdict or None
        row[f"{stage}_decided_at"] = outcome.decided_at
        row[f"{stage}_counts"] = outcome.counts
        row[f"{stage}_first_pass"] = outcome.first_pass
    return row


def _deed(event: Any) -> DeviceDeed:
    at = (event.id, event.done_at)
    if event.kind == "reflow":
        return DeviceDeed(*at, "shot", outcome=event.outcome or "", purpose=event.purpose)
    if event.kind == "loss":
        return DeviceDeed(*at, "loss", stage=event.found_at or "")
    if event.kind == "purpose_change":
        return DeviceDeed(*at, "purpose", purpose=event.purpose)
    return DeviceDeed(*at, "scan" if event.kind == "scan" else "measurement")


def _seen(life: _Life, defects: dict[int, list[Defect]]) -> dict[str, Any]:
    row: dict[str, Any] = {}
    found: list[dict[str, Any]] = []
    for inspection, finding in life.findings:
        row.update({n: v for n in ("outer_um", "minor_um", "roundness_um") if (v := getattr(finding, n)) is not None})
        found += [
            {"kind": each.kind, "caused_at": each.caused_at, "found_at": inspection.stage, "verdict": finding.verdict}
            for each in defects.get(finding.id, ())
        ]
    return {**row, "defects": found or None}


def _fate(device: Device, life: _Life) -> dict[str, Any]:
    changes, losses, scans = life.of("purpose_change"), life.of("loss"), life.of("scan")
    times = [event.done_at for event in life.events] + [inspection.done_at for inspection, _ in life.findings]
    row: dict[str, Any] = {
        "purpose": changes[-1].purpose if changes else device.purpose,
        "scans": len(scans),
        "picked": scans[0].picked if scans else None,
        "last_deed_at": max(times, default=None),
    }
    if losses:
        loss = losses[-1]
        row.update(lost_at=loss.done_at, lost_found_at=loss.found_at, lost_caused_at=loss.caused_at)
        row["lost_cause"] = loss.cause
    return row


def _q_rows(device_id: int, life: _Life) -> list[dict[str, Any]]:
    """Q by band and medium: best over accepted fits of grade A or B, typical as median over modes."""
    groups: dict[tuple[str, str], list[tuple[ResonanceFit, Resonance, Scan]]] = defaultdict(list)
    for fit, resonance, scan in life.fits:
        groups[resonance.band, resonance.medium].append((fit, resonance, scan))
    melted = [shot.done_at for shot in life.of("reflow")]
    return [_q_row(device_id, key, fits, melted) for key, fits in sorted(groups.items())]


def _q_row(device_id: int, key: tuple[str, str], fits: list[Any], melted: list[Any]) -> dict[str, Any]:
    believed = [each for each in fits if each[0].grade in GOOD_GRADES and each[0].q_intrinsic]
    first = min((scan for _, _, scan in fits), key=lambda scan: (scan.done_at, scan.id))
    before = [at for at in melted if at <= first.done_at]
    row: dict[str, Any] = {
        "device_id": device_id,
        "band": key[0],
        "medium": key[1],
        "modes_fitted": len({resonance.id for _, resonance, _ in fits}),
        "scanned_at": first.done_at,
        "picked": first.picked,
        "days_to_scan": (first.done_at - max(before)).total_seconds() / 86400 if before else None,
        **dict.fromkeys(("q_best", "q_best_low", "q_best_high", "q_typical", "splitting_mhz", "linewidth_mhz")),
    }
    if believed:
        best = max(believed, key=lambda each: each[0].q_intrinsic)[0]
        by_mode: dict[int, list[float]] = defaultdict(list)
        for fit, resonance, _ in believed:
            by_mode[resonance.id].append(fit.q_intrinsic)
        row.update(q_best=best.q_intrinsic, q_best_low=best.q_intrinsic_low, q_best_high=best.q_intrinsic_high)
        row.update(splitting_mhz=best.splitting_mhz, linewidth_mhz=best.linewidth_mhz)
        row["q_typical"] = median(median(values) for values in by_mode.values())
    return row


def _main_q(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The band and medium with most modes; the first measured among equals."""
    if not rows:
        return {"modes_fitted": 0}
    main = min(rows, key=lambda row: (-row["modes_fitted"], row["scanned_at"], row["band"], row["medium"]))
    return {name: value for name, value in main.items() if name not in ("device_id", "scanned_at", "picked")}
