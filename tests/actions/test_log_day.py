"""A day at the tools on either database: every deed of the log after another, and what the pages then offer."""

from __future__ import annotations

import pytest

from app.actions.log_corrections import correct_event, void_event
from app.actions.log_fate import record_losses
from app.actions.log_inspections import record_inspection
from app.actions.log_seen import record_oxide_measurement, record_undercut_measurements
from app.core.step_catalogue import PIECE_STEPS
from app.db import device_table
from app.db.session import Database
from app.queries.log import last_stage_done, piece_of, waiting_groups
from app.queries.log_choices import (
    array_choices,
    last_run,
    lot_choices,
    plan_of,
    tool_choices,
    version_choices,
)
from app.queries.log_seen import measured_on
from app.queries.log_sessions import next_to_measure, next_to_shoot, recent_sessions, session_facts, shots_of
from app.queries.records import record_of
from app.schemas.log import (
    CorrectIn,
    FindingIn,
    InspectionIn,
    LossesIn,
    LossIn,
    MeasurementIn,
    MeasurementsIn,
    OxideIn,
)
from tests.log_lab import ETCH, SEGMENTS, LogLab


def test_a_day_at_the_tools(either_database: Database) -> None:
    """From bare wafer to shot, looked-at, lost, corrected and taken back: records, offers and device table agree."""
    lab = LogLab(either_database)
    with lab.deed() as w:
        oxide = record_oxide_measurement(w, OxideIn(piece_id=lab.wafer, points_um=(1.98, 2.0), method="reflectometer"))
    lab.step("lithography", lab.wafer, lab.second, array_ids=(lab.array,), done_at=lab.ago(days=3))
    etch = lab.step("oxide_etch", recipe_version_id=lab.etch, settings=ETCH, tool_id=lab.hood, done_at=lab.ago(days=2))
    lab.step("undercut", rows=tuple(SEGMENTS), recipe_version_id=lab.undercut, done_at=lab.ago(days=1))
    with lab.deed() as w:
        rows = tuple(MeasurementIn(device=f"01{n:02d}", disc_um=90.0, pillar_top_x_um=38.0) for n in range(1, 5))
        record_undercut_measurements(w, MeasurementsIn(piece_id=lab.wafer, rows=rows))
    sitting = lab.sitting()
    shots = lab.shots(
        sitting,
        {"device": "0101", "outcome": "good"},
        {"device": "0102", "outcome": "good"},
        recipe_version_id=lab.melt,
    )
    with lab.deed() as w:
        named = (FindingIn(device="0102", verdict="reject", outer_um=71.0, minor_um=6.5),)
        record_inspection(w, InspectionIn(stage="reflowed", cover="all", piece_id=lab.wafer, rows=named))
        record_losses(w, LossesIn(rows=(LossIn(what="W001-1-0104", cause="broken", found_at="undercut"),)))
        correct_event(w, CorrectIn(event_id=etch.id, changes={"etch_s": 1100.0}, reason="mistyped"))
        void_event(w, oxide.id, "twice")
    with either_database.reading() as session:
        facts = session_facts(session, sitting)
        assert facts is not None
        assert [shot.device for shot in shots_of(session, facts)] == ["W001-1-0101", "W001-1-0102"]
        assert [row.id for row in recent_sessions(session)] == [sitting]
        assert [each.code for each in next_to_shoot(session, lab.wafer, 9)] == ["W001-1-0103"]
        assert next_to_measure(session, lab.wafer, 9) == []
        assert [round(row.ratio or 0, 3) for row in measured_on(session, lab.wafer)] == [0.422] * 4
        last = last_run(session, PIECE_STEPS["oxide_etch"], lab.hood)
        assert last is not None
        assert last.values["etch_s"] == "1\u202f100\u00a0s"
        piece = piece_of(session, "W001-1-0205")
        assert piece is not None
        assert last_stage_done(session, piece) == "undercut"
        groups = {words: [each.piece.code for each in pieces] for words, pieces in waiting_groups(session, lab.now)}
        assert groups["Oxide etch"] == ["W002"]
        assert plan_of(session, lab.melt, "oxide_etch") is None
        assert list(version_choices(session, "reflow").values()) == ["Melt 90, version 1"]
        assert list(tool_choices(session, ("hood",)).values()) == ["HOOD-1, Acid hood"]
        assert list(array_choices(session).values()) == ["SORB-1, array 1: 6 × 8 discs of 90.0\u00a0µm"]
        assert list(lot_choices(session, lab.now)) == ["etchant_bath"]
        record = record_of(session, shots[0].id)
        assert record is not None
        assert record.codes == "W001-1-0101"
        assert record_of(session, 4711) is None
    with either_database.writing("check", operator_id=1) as w:
        assert device_table.difference(w.session) == []
        w.session.rollback()


@pytest.mark.parametrize("kind", ["lithography", "undercut"])
def test_a_record_in_words_for_each_shape(either_database: Database, kind: str) -> None:
    """Exposed arrays and segments are said with their piece and their recipe."""
    lab = LogLab(either_database)
    rows = tuple(SEGMENTS) if kind == "undercut" else ()
    event = lab.step(kind, array_ids=(lab.array,) if kind == "lithography" else (), rows=rows)
    with either_database.reading() as session:
        record = record_of(session, event.id)
    assert record is not None
    assert record.lines[0].label in ("W001, array 1", "Segment 1")
