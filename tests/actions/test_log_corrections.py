"""Taking back and correcting: what depends on a record is told, nothing is overwritten in silence."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from app.actions.log_corrections import correct_event, void_event
from app.actions.log_fate import record_losses
from app.actions.taking import take_sites
from app.core.refusal import ChangedMeanwhile, Refusal
from app.db import device_table
from app.db.models.audit import AuditChange, AuditEntry
from app.db.models.events import Event, Taking
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Piece
from app.db.session import Database
from app.queries.records import record_of
from app.queries.sites import exposures_on
from app.schemas.log import CorrectIn, LossesIn, LossIn
from tests.log_lab import LogLab


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab to log in."""
    return LogLab(database)


def fact(lab: LogLab, name: str) -> Any:
    """One fact of the first wafer."""
    with lab.database.reading() as session:
        return session.scalar(select(PIECE_FACTS.c[name]).where(PIECE_FACTS.c.piece_id == lab.wafer))


def void(lab: LogLab, event_id: int, reason: str = "twice", **more: Any) -> list[Event]:
    """Take a record back."""
    with lab.deed() as w:
        return void_event(w, event_id, reason, **more)


def correct(lab: LogLab, event_id: int, **data: Any) -> None:
    """Correct a record."""
    with lab.deed() as w:
        correct_event(w, CorrectIn(event_id=event_id, **data))


def test_a_record_taken_back_stays_readable_and_counts_nowhere(lab: LogLab) -> None:
    """A voided etch is still there with who and why, the wafer has no etch any more, and the audit has the reason."""
    event = lab.step("oxide_etch", settings={"etch_s": 1000.0})
    void(lab, event.id, "wrong piece")
    assert fact(lab, "oxide_etch_count") == 0
    with lab.database.reading() as session:
        record = record_of(session, event.id)
        last = session.scalars(select(AuditEntry).order_by(AuditEntry.seq.desc())).first()
        assert last is not None
        assert last.reason == "wrong piece"
        assert device_table.difference(session) == []
    assert record is not None
    assert record.voided.startswith("wrong piece, AB")


def test_taking_back_needs_a_reason_and_a_record_that_stands(lab: LogLab) -> None:
    """No reason, an unknown number, or a second time: each is told."""
    event = lab.step("oxide_etch")
    with pytest.raises(Refusal) as refused:
        void(lab, event.id, "  ")
    assert (None, "reason") in refused.value.errors
    with pytest.raises(Refusal, match="not known"):
        void(lab, 4711)
    void(lab, event.id)
    with pytest.raises(Refusal, match="taken back already"):
        void(lab, event.id)


def test_a_session_goes_with_its_shots_or_not_at_all(lab: LogLab) -> None:
    """Taking back a session names the shots that depend on it; both go as one deed when the person says so."""
    lab.exposed()
    sitting = lab.sitting()
    lab.shots(sitting, {"device": "0101", "outcome": "good"}, {"device": "0102", "outcome": "good"})
    with pytest.raises(Refusal, match="2 shots depend on it"):
        void(lab, sitting)
    assert len(void(lab, sitting, with_dependents=True)) == 3
    with lab.database.reading() as session:
        assert session.scalars(select(DEVICE_FACTS.c.reflow_shots)).all() == [0, 0]


def test_a_lithography_with_devices_stands_and_one_without_can_go(lab: LogLab) -> None:
    """Devices in hand stand on what was exposed; a lithography on the wrong wafer goes with its sites."""
    wrong = lab.step("lithography", lab.second, array_ids=(lab.array,))
    right = lab.step("lithography", lab.wafer, array_ids=(lab.array,))
    with lab.deed() as w:
        take_sites(w, w.session.get_one(Piece, lab.wafer), 1, [(1, 1), (1, 2)])
    with pytest.raises(Refusal, match="2 devices in hand stand on"):
        void(lab, right.id)
    void(lab, wrong.id)
    with lab.database.reading() as session:
        assert exposures_on(session, lab.second) == []
        assert len(exposures_on(session, lab.wafer)) == 1
        taking = session.scalar(select(Taking.id))
    assert taking is not None
    with pytest.raises(Refusal, match="change their purpose to spare"):
        void(lab, taking)


def test_taking_back_a_loss_brings_the_wafer_back(lab: LogLab) -> None:
    """A loss entered by mistake leaves no trace in what the wafer may still go through."""
    with lab.deed() as w:
        (loss,) = record_losses(w, LossesIn(rows=(LossIn(what="W001", cause="broken"),)))
    void(lab, loss.id, "wrong piece")
    lab.step("oxide_etch")
    assert fact(lab, "lost_at") is None


def test_a_correction_keeps_the_old_value_and_wants_a_reason(lab: LogLab) -> None:
    """Changing a setting needs a reason; the audit has both values; filling in a blank needs none."""
    event = lab.step("oxide_etch", settings={"etch_s": 1000.0})
    with pytest.raises(Refusal) as refused:
        correct(lab, event.id, changes={"etch_s": 1090.0})
    assert (None, "reason") in refused.value.errors
    correct(lab, event.id, changes={"etch_s": 1090.0}, reason="mistyped", version=1)
    assert fact(lab, "oxide_etch_etch_s") == 1090.0
    correct(lab, event.id, changes={"rinse_s": 120.0})
    with lab.database.reading() as session:
        change = session.scalars(
            select(AuditChange).where(AuditChange.row_id == str(event.id), AuditChange.before.is_not(None))
        ).first()
        assert change is not None
        assert '"etch_s":1000.0' in (change.before or "")
        assert '"etch_s":1090.0' in (change.after or "")


def test_two_people_at_one_record(lab: LogLab) -> None:
    """The second to save is told that somebody changed the record meanwhile; the first change stands."""
    event = lab.step("oxide_etch", settings={"etch_s": 1000.0})
    correct(lab, event.id, changes={"etch_s": 1090.0}, reason="mistyped", version=1)
    with pytest.raises(ChangedMeanwhile):
        correct(lab, event.id, changes={"etch_s": 1100.0}, reason="mistyped", version=1)
    assert fact(lab, "oxide_etch_etch_s") == 1090.0


def test_a_corrected_time_moves_nothing_into_the_impossible(lab: LogLab) -> None:
    """A time may be corrected, but not to after the piece was lost, into the future, or before its session."""
    lab.exposed()
    strip = lab.step("resist_strip", done_at=lab.ago(days=3))
    with lab.deed() as w:
        record_losses(w, LossesIn(rows=(LossIn(what="W001", cause="broken"),), done_at=lab.ago(days=1)))
    with pytest.raises(Refusal, match="after W001 was lost"):
        correct(lab, strip.id, done_at=lab.ago(hours=2), reason="mistyped")
    correct(lab, strip.id, done_at=lab.ago(days=2), reason="mistyped")
    assert fact(lab, "resist_strip_at") == lab.ago(days=2)


def test_a_corrected_dial_corrects_the_watts(lab: LogLab) -> None:
    """Watts follow what was dialled; a session cannot begin after its first shot."""
    lab.exposed()
    sitting = lab.sitting()
    (shot,) = lab.shots(sitting, {"device": "0101", "outcome": "good"})
    correct(lab, shot.id, changes={"dialled": 50.0, "outcome": "over_melted"}, reason="mistyped")
    with lab.database.reading() as session:
        row = session.execute(select(DEVICE_FACTS)).mappings().one()
    assert row["reflow_power_w"] == pytest.approx(6.0)
    assert row["reflowed_outcome"] == "failed"
    with pytest.raises(Refusal, match="begin after its first shot"):
        correct(lab, sitting, done_at=lab.ago(minutes=-1), reason="mistyped")
    correct(lab, sitting, changes={"meter_end_w": 5.2})


def test_nothing_changed_or_impossible_is_told(lab: LogLab) -> None:
    """A correction without a change, of an unknown field, or to an impossible value is refused."""
    event = lab.step("oxide_etch", settings={"etch_s": 1000.0})
    with pytest.raises(Refusal, match="at most 80 characters"):
        correct(lab, lab.sitting(), changes={"spot_how": "x" * 81})
    for data, says in (
        ({"changes": {"etch_s": 1000.0}}, "Nothing was changed"),
        ({"changes": {"colour": "blue"}}, "no setting"),
        ({"changes": {"etch_s": -1.0}, "reason": "mistyped"}, "cannot be"),
    ):
        with pytest.raises(Refusal, match=says):
            correct(lab, event.id, **data)
