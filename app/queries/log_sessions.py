"""Reflow sessions with their shots so far, and which devices come next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.core.process.beam import energy_j, fluence_j_cm2, peak_intensity_w_cm2
from app.core.step_catalogue import STEPS
from app.core.vocab import STAGES
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Device, Exposure
from app.db.models.people import Operator, Tool
from app.db.models.recipes import RecipeVersion
from app.db.models.steps import ReflowSession, ReflowShot
from app.queries.calibration import calibration_of, watts_of


@dataclass(frozen=True)
class SessionRow:
    """One sitting in the list."""

    id: int
    done_at: datetime
    who: str
    laser: str
    shots: int


@dataclass(frozen=True)
class SessionFacts:
    """One sitting at the laser."""

    id: int
    version: int
    done_at: datetime
    who: str
    laser: str
    laser_id: int | None
    warm_up_min: float | None
    meter_start_w: float | None
    meter_end_w: float | None
    meter_where: str
    spot_um: float | None
    spot_how: str
    alignment: str
    alignment_when: str
    note: str
    voided: str


@dataclass(frozen=True)
class Beam:
    """What a shot puts on the sample; None where power, spot or time is not known."""

    power_w: float | None
    intensity_kw_cm2: float | None
    fluence_kj_cm2: float | None
    energy_j: float | None


@dataclass(frozen=True)
class ShotRow:
    """One shot as it was logged; `departs` are the settings that differ from the recipe, with its values."""

    id: int
    device: str
    sequence: int
    done_at: datetime
    who: str
    settings: Mapping[str, Any]
    departs: Mapping[str, Any]
    beam: Beam
    purpose: str
    outcome: str
    note: str


@dataclass(frozen=True)
class NextDevice:
    """A device to shoot or measure next, in the order of the map."""

    code: str
    nominal_um: float | None
    shots: int


def beam_of(power_w: float | None, spot_um: float | None, exposure_s: float | None) -> Beam:
    """Peak intensity, fluence at the centre and energy of one exposure."""
    intensity = peak_intensity_w_cm2(power_w, spot_um) / 1000 if power_w is not None and spot_um else None
    fluence = None
    if power_w is not None and spot_um and exposure_s is not None:
        fluence = fluence_j_cm2(power_w, spot_um, exposure_s) / 1000
    energy = energy_j(power_w, exposure_s) if power_w is not None and exposure_s is not None else None
    return Beam(power_w, intensity, fluence, energy)


def beam_now(session: Session, sitting: SessionFacts, settings: Mapping[str, Any], at: datetime) -> Beam:
    """What these settings would put on the sample in this sitting."""
    power = watts_of(session, settings.get("dialled"), settings.get("dial_unit"), sitting.laser_id, at)
    return beam_of(power, sitting.spot_um, settings.get("exposure_s"))


def dial_doubt(session: Session, sitting: SessionFacts, unit: str | None, at: datetime) -> str:
    """Why watts cannot be worked out from what is dialled; '' where they can."""
    if not unit or unit == "W":
        return ""
    calibration = calibration_of(session, sitting.laser_id, unit, at)
    if calibration is None:
        return (
            f"{sitting.laser or 'This laser'} has no calibration of watts per {unit}, so its watts are not worked out."
        )
    if calibration.overdue:
        ran_out = f"{calibration.valid_until:%d %b %Y}"
        return f"The calibration of watts per {unit} ran out on {ran_out}: watts are not worked out."
    return ""


def recent_sessions(session: Session, limit: int = 8) -> list[SessionRow]:
    """The latest sittings, newest first."""
    shots = (
        select(ReflowShot.session_id, func.count().label("shots"))
        .where(ReflowShot.voided_at.is_(None))
        .group_by(ReflowShot.session_id)
        .subquery()
    )
    statement = (
        select(ReflowSession.id, ReflowSession.done_at, Operator.initials, Tool.code, shots.c.shots)
        .outerjoin(Operator, Operator.id == ReflowSession.operator_id)
        .outerjoin(Tool, Tool.id == ReflowSession.tool_id)
        .outerjoin(shots, shots.c.session_id == ReflowSession.id)
        .where(ReflowSession.voided_at.is_(None))
        .order_by(ReflowSession.done_at.desc(), ReflowSession.id.desc())
        .limit(limit)
    )
    return [
        SessionRow(row.id, row.done_at, row.initials or "", row.code or "", row.shots or 0)
        for row in session.execute(statement)
    ]


def session_facts(session: Session, session_id: int) -> SessionFacts | None:
    """One sitting; None where there is none with this number."""
    found = session.get(ReflowSession, session_id)
    if found is None:
        return None
    operator = session.get(Operator, found.operator_id) if found.operator_id else None
    laser = session.get(Tool, found.tool_id) if found.tool_id else None
    return SessionFacts(
        id=found.id,
        version=found.version,
        done_at=found.done_at,
        who=operator.initials if operator else "",
        laser=f"{laser.code}, {laser.name}" if laser else "",
        laser_id=found.tool_id,
        warm_up_min=found.warm_up_min,
        meter_start_w=found.meter_start_w,
        meter_end_w=found.meter_end_w,
        meter_where=found.meter_where or "",
        spot_um=found.spot_um,
        spot_how=found.spot_how or "",
        alignment=found.alignment or "",
        alignment_when=found.alignment_when or "",
        note=found.note or "",
        voided=(found.void_reason or "") if found.voided_at is not None else "",
    )


def shots_of(session: Session, sitting: SessionFacts) -> list[ShotRow]:
    """The valid shots of a sitting, in the order they were done."""
    statement = (
        select(ReflowShot, Device.code, Operator.initials, RecipeVersion.settings)
        .join(Device, Device.id == ReflowShot.device_id)
        .outerjoin(Operator, Operator.id == ReflowShot.operator_id)
        .outerjoin(RecipeVersion, RecipeVersion.id == ReflowShot.recipe_version_id)
        .where(ReflowShot.session_id == sitting.id, ReflowShot.voided_at.is_(None))
        .order_by(ReflowShot.done_at, ReflowShot.id)
    )
    return [
        _shot(shot, code, initials or "", planned or {}, sitting)
        for shot, code, initials, planned in session.execute(statement)
    ]


def _shot(shot: Any, code: str, who: str, planned: Mapping[str, Any], sitting: SessionFacts) -> ShotRow:
    settings = {each.name: getattr(shot, each.name) for each in STEPS["reflow"].settings}
    departs = {
        name: planned[name]
        for name, value in settings.items()
        if name in planned and value is not None and planned[name] != value
    }
    beam = beam_of(shot.power_w, sitting.spot_um, shot.exposure_s)
    return ShotRow(
        id=shot.id,
        device=code,
        sequence=shot.sequence,
        done_at=shot.done_at,
        who=who,
        settings=settings,
        departs=departs,
        beam=beam,
        purpose=shot.purpose,
        outcome=shot.outcome or "",
        note=shot.note or "",
    )


def next_to_shoot(session: Session, piece_id: int, limit: int) -> list[NextDevice]:
    """Devices in hand on a piece that were never shot and are neither rejected nor lost, in the order of the map."""
    facts = DEVICE_FACTS.c
    before = [stage for stages in STAGES.values() for stage in list(stages)[:-1]]
    failed = [facts[f"{stage}_outcome"].is_distinct_from("failed") for stage in before]
    rows = _in_map_order(session, facts.piece_id == piece_id, facts.reflow_shots == 0, *failed)
    return rows[:limit]


def next_to_measure(session: Session, piece_id: int, limit: int) -> list[NextDevice]:
    """Devices in hand on a piece whose pillar was not measured yet, not lost, in the order of the map."""
    facts = DEVICE_FACTS.c
    return _in_map_order(session, facts.piece_id == piece_id, facts.pillar_ratio.is_(None))[:limit]


def devices_on(session: Session, piece_id: int) -> list[NextDevice]:
    """Every device in hand on a piece that is not lost, in the order of the map."""
    return _in_map_order(session, DEVICE_FACTS.c.piece_id == piece_id)


def _in_map_order(session: Session, *where: Any) -> list[NextDevice]:
    facts = DEVICE_FACTS.c
    statement = (
        select(facts.device_code, facts.nominal_um, facts.reflow_shots)
        .join(Device, Device.id == facts.device_id)
        .outerjoin(Exposure, Exposure.id == Device.exposure_id)
        .where(*where, facts.lost_at.is_(None), facts.reflow_outcome.is_distinct_from("gone"))
        .order_by(func.coalesce(Exposure.number, 0), Device.row, Device.column, Device.code)
    )
    return [NextDevice(row.device_code, row.nominal_um, row.reflow_shots) for row in session.execute(statement)]
