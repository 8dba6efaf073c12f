"""What the example's lab saw of its devices and did to them: measurements, shots, inspections, scans."""

from __future__ import annotations

from datetime import datetime, timedelta

from app.actions.example.intake import Known
from app.actions.log_inspections import record_inspection
from app.actions.log_reflow import open_session, record_shots
from app.actions.log_seen import record_oxide_measurement, record_undercut_measurements
from app.actions.scans import keep_scan
from app.core.example import happenings as told
from app.core.example.stock import RATE_SIGMA
from app.core.example.sweeps import Sweep
from app.core.refusal import Refusal
from app.db.session import Writing
from app.schemas.log import (
    DefectIn,
    FindingIn,
    InspectionIn,
    MeasurementIn,
    MeasurementsIn,
    OxideIn,
    SessionIn,
    ShotIn,
    ShotsIn,
)
from app.schemas.scans import ReadingIn, ScanIn

SHOT_EVERY = timedelta(minutes=3)


def oxide(writing: Writing, it: told.OxideMeasured, known: Known) -> None:
    """Oxide thickness is measured."""
    piece_id = known.pieces[it.piece]
    record_oxide_measurement(
        writing, OxideIn(piece_id=piece_id, points_um=it.points_um, method=it.method, done_at=it.at)
    )


def undercut(writing: Writing, it: told.UndercutMeasured, known: Known) -> None:
    """Discs and pillars of a chip are measured."""
    rows = tuple(
        MeasurementIn(
            device=pillar.device,
            disc_um=pillar.disc_um,
            pillar_top_x_um=pillar.pillar_top_x_um,
            pillar_top_y_um=pillar.pillar_top_y_um,
            pillar_offset_um=pillar.pillar_offset_um,
        )
        for pillar in it.pillars
    )
    data = MeasurementsIn(piece_id=known.pieces[it.piece], rows=rows, method=it.method, done_at=it.at)
    try:
        record_undercut_measurements(writing, data)
    except Refusal as asked:
        if asked.errors:
            raise
        # The first recipe left wide pillars: whoever measured them said that it is right.
        record_undercut_measurements(writing, data.model_copy(update={"confirmed": frozenset(asked.confirmable)}))


def inspection(writing: Writing, it: told.Inspected, known: Known) -> None:
    """Devices of a piece are looked at."""
    sample = it.cover == "sample"
    data = InspectionIn.model_validate(
        {
            "stage": it.stage,
            "cover": it.cover,
            "piece_id": known.pieces[it.piece],
            "rows": tuple(_finding(each) for each in it.seen),
            "seen_n": len(it.seen) if sample else None,
            "of_n": it.of_n if sample else None,
            "method": it.method,
            "done_at": it.at,
        }
    )
    record_inspection(writing, data)


def _finding(seen: told.Seen) -> FindingIn:
    return FindingIn(
        device=seen.device,
        verdict=seen.verdict,
        defects=tuple(DefectIn(kind=kind) for kind in seen.defects),
        outer_um=seen.outer_um,
        minor_um=seen.minor_um,
        roundness_um=seen.roundness_um,
        note=seen.note or None,
    )


def reflow(writing: Writing, it: told.ReflowSat, known: Known) -> None:
    """A sitting at the laser, with its shots."""
    session = open_session(
        writing,
        SessionIn(
            tool_id=known.tools[it.tool],
            warm_up_min=it.warm_up_min,
            meter_start_w=it.meter_start_w,
            meter_end_w=it.meter_end_w,
            meter_where=it.meter_where,
            meter_tool_id=known.tools[it.meter],
            spot_um=it.spot_um,
            spot_how=it.spot_how,
            alignment=it.alignment,
            alignment_when=it.alignment_when,
            done_at=it.at,
            note=it.note or None,
        ),
    )
    planned = known.planned[it.recipe]
    rows = tuple(
        ShotIn(
            device=shot.device,
            dialled=shot.dialled,
            dial_unit=str(planned["dial_unit"]),
            exposure_s=shot.exposure_s,
            bursts=shot.bursts,
            by_eye=bool(planned["by_eye"]),
            purpose=shot.purpose,
            outcome=shot.outcome,
            done_at=it.at + SHOT_EVERY * (order + 1),
        )
        for order, shot in enumerate(it.shots)
    )
    version_id = known.versions[it.recipe]
    last = last_shot_at(it)
    record_shots(writing, ShotsIn(session_id=session.id, recipe_version_id=version_id, rows=rows, done_at=last))


def last_shot_at(it: told.ReflowSat) -> datetime:
    """When a sitting is over."""
    return it.at + SHOT_EVERY * len(it.shots)


def reading_of(sweep: Sweep) -> ReadingIn:
    """What the person at the optical table knew of a file."""
    rate = sweep.tuning_mhz_per_s if sweep.form == "trace" else None
    return ReadingIn(
        wavelength_nm=sweep.wavelength_nm, tuning_mhz_per_s=rate, tuning_sigma=RATE_SIGMA, dark_v=sweep.dark_v
    )


def scan(writing: Writing, it: told.Scanned, known: Known) -> None:
    """A scan is kept with its fit, which was made meanwhile."""
    sweep = it.sweep
    data = ScanIn.model_validate(
        {
            "device_code": it.device,
            "file_name": sweep.file_name,
            "media_type": "text/plain",
            "reading": reading_of(sweep),
            "done_at": it.at,
            "label": it.label,
            "tool_id": known.tools[it.laser],
            "detector_id": known.tools[it.detector],
            "input_power_uw": it.input_power_uw,
            "direction": "up" if sweep.tuning_mhz_per_s > 0 else "down",
            "averages": it.averages,
            "taper": it.taper,
            "taper_transmission": it.taper_transmission,
            "polarisation": it.polarisation,
            "medium": it.medium,
            "picked": it.picked,
            "accept": it.accept,
        }
    )
    keep_scan(writing, data, known.scans.pop(sweep.file_name).result())
