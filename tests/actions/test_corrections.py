"""Every kind of record can be corrected, moved and taken back, and what depends on it is told."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from app.actions.corrections_move import move_to_device
from app.actions.log_corrections import correct_event, void_event, void_events
from app.actions.log_fate import record_losses
from app.actions.log_inspections import record_inspection
from app.actions.log_seen import record_oxide_measurement, record_undercut_measurements
from app.actions.parting import part_piece
from app.actions.pieces import end_piece, move_piece, register_wafer, take_in_hand
from app.core.refusal import ChangedMeanwhile, DependedOn, Refusal
from app.db.models.events import Event
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.session import Database
from app.files import FileStore
from app.queries.records import fields_of, record_of
from app.queries.timeline import LABELS
from app.queries.verify import verify
from app.schemas.log import (
    CorrectIn,
    DefectIn,
    FindingIn,
    InspectionIn,
    LossesIn,
    LossIn,
    MeasurementIn,
    MeasurementsIn,
    MoveFactsIn,
    OxideIn,
)
from app.schemas.pieces import ChildIn, EndingIn, MoveIn, PartingIn, SitesIn, TakingIn, WaferIn
from tests.log_lab import SEGMENTS, LogLab

ONLY_TIME_AND_NOTE = {"taking", "ring_down"}
"""Nothing to correct but when, who with, and the note: a taking made its devices, a ring-down is its file."""


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab to log in."""
    return LogLab(database)


def correct(lab: LogLab, event_id: int, **data: Any) -> None:
    """Correct a record."""
    with lab.deed() as w:
        correct_event(w, CorrectIn(event_id=event_id, **{"reason": "Mistyped", **data}))


def fact(lab: LogLab, name: str, piece: int | None = None) -> Any:
    """One fact of a piece, the first wafer unless another is named."""
    with lab.database.reading() as session:
        return session.scalar(select(PIECE_FACTS.c[name]).where(PIECE_FACTS.c.piece_id == (piece or lab.wafer)))


def device(lab: LogLab, code: str) -> Any:
    """What the device table says of one device."""
    with lab.database.reading() as session:
        return session.execute(select(DEVICE_FACTS).where(DEVICE_FACTS.c.device_code == code)).mappings().one()


def inspected(lab: LogLab, *rows: FindingIn, **more: Any) -> int:
    """An inspection of the undercut; its entry number."""
    with lab.deed() as w:
        data = InspectionIn(**{"stage": "undercut", "cover": "devices", "piece_id": lab.wafer, "rows": rows, **more})
        return record_inspection(w, data).id


def moved(lab: LogLab, old: str, new: str, *events: int) -> list[int]:
    """Say that facts belong to another device."""
    with lab.deed() as w:
        data = MoveFactsIn(from_device=old, to_device=new, event_ids=events or None, reason="Wrong piece")
        return [event.kind for event in move_to_device(w, data)]


def sound(lab: LogLab, tmp_path: Any) -> bool:
    """Whether audit, rows and device table agree."""
    return verify(lab.database, FileStore(tmp_path / "files")).faults == ()


def test_every_kind_of_record_has_something_to_correct() -> None:
    """What is declared to be correctable covers every kind of event there is."""
    assert {kind for kind in LABELS if not fields_of(kind)} == ONLY_TIME_AND_NOTE


def test_a_record_read_as_something_general_is_told_whole(lab: LogLab, tmp_path: Any) -> None:
    """The audit of a record taken back says all its columns, and the chain still agrees with the rows."""
    event = lab.step("oxide_etch", settings={"etch_s": 1000.0})
    with lab.deed() as w:
        void_event(w, event.id, "Entered twice")
    assert sound(lab, tmp_path)


def test_a_step_on_the_wrong_wafer_goes_to_the_right_one(lab: LogLab, tmp_path: Any) -> None:
    """The etch leaves the one wafer and stands on the other, with its settings; both rows of the table follow."""
    event = lab.step("oxide_etch", settings={"etch_s": 1000.0})
    with pytest.raises(Refusal, match="Say why"):
        correct(lab, event.id, piece_ids=(lab.second,), reason=None)
    with pytest.raises(Refusal, match="fibre batch"):
        correct(lab, event.id, piece_ids=(lab.fibres,))
    correct(lab, event.id, piece_ids=(lab.second,))
    assert (fact(lab, "oxide_etch_count"), fact(lab, "oxide_etch_count", lab.second)) == (0, 1)
    assert sound(lab, tmp_path)


def test_a_step_is_not_moved_onto_a_piece_that_was_ended(lab: LogLab) -> None:
    """Correcting pieces is judged by the timeline as recording is."""
    event = lab.step("oxide_etch")
    with lab.deed() as w:
        end_piece(w, EndingIn(piece_id=lab.second, reason="superseded", done_at=lab.ago(days=2)))
    with pytest.raises(Refusal, match="W002 comes after W002 was ended"):
        correct(lab, event.id, piece_ids=(lab.second,))


def test_tool_and_recipe_version_are_corrected_and_checked(lab: LogLab) -> None:
    """A tool that was mischosen, a recipe of another step."""
    event = lab.step("oxide_etch", recipe_version_id=lab.etch)
    with pytest.raises(Refusal, match="another step"):
        correct(lab, event.id, changes={"recipe_version_id": lab.melt})
    with pytest.raises(Refusal, match="not in the list"):
        correct(lab, event.id, changes={"tool_id": 4711})
    correct(lab, event.id, changes={"tool_id": lab.hood, "recipe_version_id": None})
    assert fact(lab, "oxide_etch_recipe_version_id") is None


def test_segments_are_corrected_and_the_dose_follows(lab: LogLab, tmp_path: Any) -> None:
    """A mistyped pressure and a forgotten segment; leaving one out is told to be another deed."""
    event = lab.step("undercut", rows=tuple(SEGMENTS))
    right = [{**SEGMENTS[0], "xef2_torr": 2.0}, {"cycles": 3, "cycle_s": 60.0, "xef2_torr": 2.0, "n2_torr": 0.0}]
    correct(lab, event.id, rows=tuple(right))
    assert fact(lab, "undercut_dose_torr_s") == pytest.approx(15 * 60 * 2.0)
    with pytest.raises(Refusal, match="leave one out"):
        correct(lab, event.id, rows=tuple(right[:1]))
    assert sound(lab, tmp_path)


def test_points_of_an_oxide_measurement_are_corrected(lab: LogLab) -> None:
    """The thickness that follows is that of the corrected points."""
    with lab.deed() as w:
        event = record_oxide_measurement(w, OxideIn(piece_id=lab.wafer, points_um=(2.0, 3.0)))
    with pytest.raises(Refusal, match="at one point at least"):
        correct(lab, event.id, points_um=())
    correct(lab, event.id, points_um=(2.0, 2.2))
    assert fact(lab, "oxide_um") == pytest.approx(2.1)


def test_whereabouts_ending_and_loss_are_corrected(lab: LogLab) -> None:
    """Lent, not lost; another reason; a word that is none of the list is refused."""
    with lab.deed() as w:
        away = move_piece(w, MoveIn(piece_ids=(lab.wafer,), state="lost", done_at=lab.ago(days=2)))
    with pytest.raises(Refusal, match="not one of the list"):
        correct(lab, away.id, changes={"state": "on the moon"})
    correct(lab, away.id, changes={"state": "lent", "place": "Ulm"}, until=lab.now)
    assert (fact(lab, "whereabouts"), fact(lab, "whereabouts_place")) == ("lent", "Ulm")
    with lab.deed() as w:
        ended = end_piece(w, EndingIn(piece_id=lab.second, reason="superseded"))
    with pytest.raises(Refusal, match="cannot be left open"):
        correct(lab, ended.id, changes={"reason": None})
    correct(lab, ended.id, changes={"reason": "Oxide too thin"})


def test_a_lent_wafer_corrected_to_lost_names_what_came_after(lab: LogLab) -> None:
    """What the correction makes impossible is listed, and goes in the same deed where that is said."""
    with lab.deed() as w:
        away = move_piece(w, MoveIn(piece_ids=(lab.wafer,), state="lent", place="Ulm", done_at=lab.ago(days=6)))
    etch = lab.step("oxide_etch", done_at=lab.ago(days=3))
    with pytest.raises(DependedOn, match=r"1 record depends on it .Oxide etch.*was lost") as refused:
        correct(lab, away.id, changes={"state": "lost"})
    assert refused.value.dependents == (etch.id,)
    correct(lab, away.id, changes={"state": "lost"}, with_dependents=True)
    assert fact(lab, "oxide_etch_count") == 0
    with lab.database.reading() as session:
        record = record_of(session, etch.id)
    assert record is not None
    assert record.voided


def test_what_depends_on_a_record_taken_back_goes_with_it(lab: LogLab, tmp_path: Any) -> None:
    """A return from 'lost' taken back makes the etch after it impossible; both go as one deed."""
    for state, days in (("lost", 6), ("in_lab", 5)):
        with lab.deed() as w:
            back = move_piece(w, MoveIn(piece_ids=(lab.wafer,), state=state, done_at=lab.ago(days=days)))
    etch = lab.step("oxide_etch", done_at=lab.ago(days=3))
    with lab.deed() as w, pytest.raises(DependedOn, match="Oxide etch"):
        void_event(w, back.id, "Mistyped")
    with lab.deed() as w:
        gone = void_event(w, back.id, "Mistyped", with_dependents=True)
        assert [event.id for event in gone] == [back.id, etch.id]
    assert sound(lab, tmp_path)


def test_several_records_are_taken_back_as_one_deed(lab: LogLab) -> None:
    """All or none: one that stands and one that was taken back already."""
    one, two = lab.step("oxide_etch"), lab.step("oxide_etch", lab.second)
    with lab.deed() as w:
        assert len(void_events(w, (one.id, two.id), "Entered twice")) == 2
        assert w.reason == "Entered twice"
    three = lab.step("oxide_etch")
    with lab.deed() as w, pytest.raises(Refusal, match="already"):
        void_events(w, (three.id, one.id), "Entered twice")
    assert fact(lab, "oxide_etch_count") == 1


def test_shots_that_belong_to_another_device_take_their_loss_of_verdict_along(lab: LogLab, tmp_path: Any) -> None:
    """Shots, measurement and finding move as one deed; the site named is taken in hand; both devices follow."""
    lab.exposed()
    sitting = lab.sitting()
    lab.shots(sitting, {"device": "0101", "outcome": "good"})
    with lab.deed() as w:
        rows = (MeasurementIn(device="W001-1-0101", disc_um=88.0, pillar_top_x_um=30.0),)
        record_undercut_measurements(w, MeasurementsIn(rows=rows, done_at=lab.ago(days=3)))
    defects = (DefectIn(kind="uneven"),)
    inspected(lab, FindingIn(device="W001-1-0101", verdict="usable", defects=defects), done_at=lab.ago(days=2))
    kinds = moved(lab, "W001-1-0101", "W001-1-0205")
    assert sorted(kinds) == ["inspection", "reflow", "undercut_measurement"]
    left, right = device(lab, "W001-1-0101"), device(lab, "W001-1-0205")
    assert (left["reflow_shots"], left["undercut_verdict"], left["disc_um"]) == (0, None, 90.0)
    assert (right["reflow_shots"], right["undercut_verdict"], right["disc_um"]) == (1, "usable", 88.0)
    assert [defect["kind"] for defect in right["defects"]] == ["uneven"]
    assert sound(lab, tmp_path)


def test_facts_do_not_go_to_a_device_that_was_gone(lab: LogLab) -> None:
    """A shot after the other device was lost; a sphere; a device that nobody knows; nothing to move."""
    lab.exposed()
    sitting = lab.sitting()
    lab.shots(sitting, {"device": "0101", "outcome": "good"}, {"device": "0102", "outcome": "good"})
    with lab.deed() as w:
        inspected_loss = LossesIn(rows=(LossIn(what="W001-1-0102", cause="dropped"),))
        record_losses(w, inspected_loss)
    with lab.deed() as w:
        record_losses(w, LossesIn(rows=(LossIn(what="W001-1-0101", cause="dropped"),), done_at=lab.now))
    with pytest.raises(Refusal, match="no device in hand"):
        moved(lab, "W009-1-0101", "W001-1-0101")
    with pytest.raises(Refusal, match="microsphere"):
        moved(lab, "W001-1-0101", "F001-01")
    with pytest.raises(Refusal, match="same device"):
        moved(lab, "W001-1-0101", "W001-1-0101")
    late = lab.shots  # the lost device takes no later shot
    with pytest.raises(Refusal, match="gone"):
        late(sitting, {"device": "0102", "outcome": "good"}, done_at=lab.now)


def test_two_findings_of_one_inspection_change_places(lab: LogLab, tmp_path: Any) -> None:
    """The reject was the neighbour, who had passed among the rest; where both are named it is a correction."""
    lab.exposed()
    lab.shots(lab.sitting(), {"device": "0101"}, {"device": "0102"}, {"device": "0103"})
    event = inspected(lab, FindingIn(device="0101", verdict="reject"), cover="all", done_at=lab.ago(minutes=5))
    moved(lab, "W001-1-0101", "W001-1-0102", event)
    verdicts = [device(lab, f"W001-1-010{n}")["undercut_verdict"] for n in (1, 2, 3)]
    assert verdicts == ["good", "reject", "good"]
    both = inspected(lab, FindingIn(device="0101", verdict="reject"), FindingIn(device="0103", verdict="good"))
    with pytest.raises(Refusal, match="names W001-1-0103 too"):
        moved(lab, "W001-1-0101", "W001-1-0103", both)
    assert sound(lab, tmp_path)


def test_a_verdict_is_corrected_and_a_form_opened_before_is_out_of_date(lab: LogLab) -> None:
    """A mistyped reject becomes good at the device; the second of two people at the inspection is told."""
    lab.exposed()
    event = inspected(lab, FindingIn(device="0101", verdict="reject"))
    with pytest.raises(Refusal, match="says nothing of"):
        correct(lab, event, findings=(FindingIn(device="W001-1-0606", verdict="good"),))
    correct(lab, event, version=1, findings=(FindingIn(device="W001-1-0101", verdict="good"),))
    assert device(lab, "W001-1-0101")["undercut_outcome"] == "passed"
    with pytest.raises(ChangedMeanwhile):
        correct(lab, event, version=1, findings=(FindingIn(device="W001-1-0101", verdict="usable"),))


def test_a_reject_is_reinstated_with_a_reason_and_keeps_its_first_failure(lab: LogLab) -> None:
    """The final state is the latest; first pass stays lost; taking the later look back restores the reject."""
    lab.exposed()
    inspected(lab, FindingIn(device="0101", verdict="reject"), done_at=lab.ago(days=2))
    again = inspected(lab, FindingIn(device="0101", verdict="good"), reinstates="It was dust")
    stands = device(lab, "W001-1-0101")
    assert (stands["undercut_outcome"], stands["undercut_first_pass"]) == ("passed", False)
    with lab.deed() as w:
        void_event(w, again, "Mistyped")
    assert device(lab, "W001-1-0101")["undercut_outcome"] == "failed"


def test_a_device_lost_before_its_piece_was_parted_stays_lost(lab: LogLab) -> None:
    """It went to none of the pieces that came of it, so that its loss cannot be taken back."""
    lab.exposed()
    inspected(lab, FindingIn(device="0101", verdict="good"), done_at=lab.ago(days=3))
    with lab.deed() as w:
        rows = (LossIn(what="W001-1-0101", cause="dropped"),)
        loss = record_losses(w, LossesIn(rows=rows, done_at=lab.ago(days=2)))[0]
    kept = (SitesIn(exposure_number=1, sites=((2, 1), (2, 2))),)
    with lab.deed() as w:
        part_piece(w, PartingIn(piece_id=lab.wafer, children=(ChildIn(code="W001-A", kept=kept),)))
    with lab.deed() as w, pytest.raises(Refusal, match="It stays lost"):
        void_event(w, loss.id, "Mistyped")


def test_sites_of_a_parted_wafer_are_taken_in_hand_on_its_pieces(lab: LogLab) -> None:
    """Even where the day given lies before the parting."""
    lab.exposed()
    with lab.deed() as w:
        part_piece(w, PartingIn(piece_id=lab.wafer, children=(ChildIn(code="W001-A", rest=True),)))
    data = TakingIn(piece_id=lab.wafer, chosen=(SitesIn(exposure_number=1, sites=((1, 1),)),), done_at=lab.ago(days=1))
    with lab.deed() as w, pytest.raises(Refusal, match="W001-A"):
        take_in_hand(w, data)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(days=st.lists(st.integers(0, 30), min_size=3, max_size=3), late=st.integers(-20, 30))
def test_retiming_is_refused_exactly_where_recording_so_would_have_been(
    lab: LogLab, days: list[int], late: int
) -> None:
    """An etch re-timed past the wafer's end, or into the future, is refused; anywhere before it is kept."""
    with lab.deed() as w:
        count = w.session.scalars(select(PIECE_FACTS.c.piece_id)).all()
        piece = register_wafer(w, WaferIn(code=f"T{len(count):03d}")).id
    event = lab.step("oxide_etch", piece, done_at=lab.ago(days=40))
    with lab.deed() as w:
        end_piece(w, EndingIn(piece_id=piece, reason="superseded", done_at=lab.ago(days=days[0])))
    at = lab.ago(days=late)
    if late < days[0] or late < 0:
        with pytest.raises(Refusal, match=r"ended|future"):
            correct(lab, event.id, done_at=at)
        at = lab.ago(days=40)
    elif late > days[0]:
        correct(lab, event.id, done_at=at)
    else:
        return  # the very same instant: the entry number decides
    with lab.database.reading() as session:
        assert session.get_one(Event, event.id).done_at == at
