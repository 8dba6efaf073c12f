"""Pages that correct, take back and move records: without script, with what depends on them, by two people."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from app.actions.log_inspections import record_inspection
from app.actions.log_seen import record_oxide_measurement
from app.actions.pieces import end_piece
from app.db.models.events import Event
from app.db.models.seen import Finding, OxideMeasurement
from app.db.models.steps import ROW_CLASSES
from app.db.session import Database
from app.schemas.log import FindingIn, InspectionIn, OxideIn
from app.schemas.pieces import EndingIn
from tests.log_lab import SEGMENTS, LogLab
from tests.web.forms_filled import fields_of, send
from tests.web.saying import follow, said, value_of

ME = {"_operator": "1"}


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab to log in, on the client's own database, whose first wafer is ready for the laser."""
    lab = LogLab(database, datetime.now(UTC))
    lab.exposed()
    return lab


def stored(lab: LogLab, event_id: int, name: str) -> object:
    """A value of a record as it stands."""
    with lab.database.reading() as session:
        return getattr(session.get_one(Event, event_id), name)


def inspected(lab: LogLab, *said_of: FindingIn) -> int:
    """An inspection of the first wafer at the end of undercut."""
    with lab.deed() as w:
        return record_inspection(
            w, InspectionIn(stage="undercut", cover="devices", piece_id=lab.wafer, rows=said_of)
        ).id


def test_settings_tool_recipe_pieces_and_note(client: TestClient, lab: LogLab) -> None:
    """Everything a bath says is corrected in one form with a tapped reason, and what was not touched stays."""
    event = lab.step("oxide_etch", lab.second, settings={"etch_s": 1000.123456789, "bath_c": 21.0})
    path = f"/log/correct/{event.id}"
    sent = send(
        client, path, **ME, note="wrong hood", tool_id=str(lab.hood), recipe_version_id=str(lab.etch), tap="mistyped"
    )
    record = follow(client, sent)
    assert "wrong hood" in said(record)
    assert "Etch 2 µm, version 1" in said(record)
    assert stored(lab, event.id, "tool_id") == lab.hood
    assert stored(lab, event.id, "etch_s") == 1000.123456789
    wrong = send(client, path, **ME, pieces="W077", tap="wrong_piece")
    assert wrong.status_code == 422
    assert "W077: no piece has this code" in said(wrong)
    assert value_of(wrong, "pieces") == "W077"
    nothing = send(client, path, **ME, tap="mistyped")
    assert "Nothing was changed" in said(nothing)
    assert f"/history?table=event&amp;id={event.id}" in record.text
    assert "correct a record" in said(client.get(f"/history?table=event&id={event.id}")).lower()


def test_time_is_corrected(client: TestClient, lab: LogLab) -> None:
    """The time stands in its field and is changed there; one that makes something impossible is told."""
    event = lab.step("oxide_etch", lab.second, done_at=lab.ago(hours=2))
    path = f"/log/correct/{event.id}"
    assert value_of(client.get(path), "done_at")
    follow(
        client,
        send(client, path, **ME, done_at="3 h ago", tap="mistyped"),
    )
    assert stored(lab, event.id, "done_at") < lab.ago(hours=2, minutes=30)  # type: ignore[operator]
    bad = send(client, path, **ME, done_at="the day before", tap="mistyped")
    assert bad.status_code == 422
    assert value_of(bad, "done_at") == "the day before"


def test_segments_of_an_undercut(client: TestClient, lab: LogLab) -> None:
    """A cell of a repeated setting is corrected and another row added; a row that is emptied is refused."""
    event = lab.step("undercut", lab.second, rows=tuple(SEGMENTS))
    path = f"/log/correct/{event.id}"
    assert value_of(client.get(path), "r0-cycles") == "12"
    more = {"r0-cycles": "14", "r1-cycles": "2", "r1-cycle_s": "60", "r1-xef2_torr": "3"}
    record = follow(client, send(client, path, **ME, **more, tap="mistyped"))
    assert "14 cycles" in said(record)
    with lab.database.reading() as session:
        row = ROW_CLASSES["undercut"]
        found = session.scalars(select(row.cycles).where(row.event_id == event.id).order_by(row.sequence)).all()
        assert found == [14, 2]
    emptied = dict.fromkeys((name for name in fields_of(client.get(path).text) if name.startswith("r1-")), "")
    gone = send(client, path, **ME, **emptied, tap="mistyped")
    assert gone.status_code == 409
    assert "to leave one out" in said(gone)
    bad = send(client, path, **ME, **{"r0-cycles": "many"}, tap="mistyped")
    assert bad.status_code == 422
    assert value_of(bad, "r0-cycles") == "many"


def test_points_of_an_oxide(client: TestClient, lab: LogLab) -> None:
    """Thickness at each point is corrected in one line; an unusual one is confirmed in place."""
    with lab.deed() as w:
        event = record_oxide_measurement(w, OxideIn(piece_id=lab.wafer, points_um=(2.0, 2.1))).id
    path = f"/log/correct/{event}"
    assert value_of(client.get(path), "points_um") == "2 2.1"
    follow(client, send(client, path, **ME, points_um="2.0 2.2", tap="mistyped"))
    assert client.post(path, data={**ME, "points_um": "thick", "tap": "mistyped"}).status_code == 422
    odd = send(client, path, **ME, points_um="2.0 19", tap="mistyped")
    assert odd.status_code == 409
    keep = value_of(odd, "_keep")
    assert keep == "1:points_um"
    follow(client, send(client, path, **ME, points_um="2.0 19", tap="mistyped", _keep=keep))
    with lab.database.reading() as session:
        assert session.scalars(select(OxideMeasurement.points_um)).all() == [[2.0, 19.0]]


def test_verdicts_and_sizes_of_an_inspection(client: TestClient, lab: LogLab) -> None:
    """One finding is corrected, the other stays; another device's code in its row is told where to go."""
    event = inspected(lab, FindingIn(device="0101", verdict="good"), FindingIn(device="0102", verdict="usable"))
    path = f"/log/correct/{event}"
    assert value_of(client.get(path), "r0-device") == "W001-1-0101"
    follow(client, send(client, path, **ME, **{"r0-verdict": "reject", "r0-outer_um": "61"}, tap="mistyped"))
    with lab.database.reading() as session:
        found = session.execute(select(Finding.verdict, Finding.outer_um).order_by(Finding.id)).all()
    assert [tuple(each) for each in found] == [("reject", 61.0), ("usable", None)]
    other = send(client, path, **ME, **{"r0-device": "W001-1-0105"}, tap="wrong_piece")
    assert other.status_code == 422
    assert "Belongs to another device" in said(other)


def test_two_people_see_both_versions_and_choose(client: TestClient, lab: LogLab) -> None:
    """What the other changed is chosen where I did not touch it; where both did, I must choose; then it is saved."""
    event = lab.step("oxide_etch", lab.second, settings={"etch_s": 1000.0, "bath_c": 21.0})
    path = f"/log/correct/{event.id}"
    mine = {**fields_of(client.get(path).text), **ME, "etch_s": "1200", "tap": "mistyped"}
    follow(client, send(client, path, **ME, etch_s="1090", bath_c="22", tap="mistyped"))
    both = client.post(path, data=mine)
    assert both.status_code == 409
    assert "As it stands now As you have it" in said(both)
    again = fields_of(both.text)
    assert again["pick-bath_c"] == "theirs"
    assert "pick-etch_s" not in again
    undecided = client.post(path, data={**again, **ME, "tap": "mistyped"})
    assert undecided.status_code == 422
    assert "choose which of the two is right" in said(undecided)
    chosen = fields_of(undecided.text)
    follow(
        client,
        client.post(path, data={**chosen, **ME, "pick-bath_c": "theirs", "pick-etch_s": "mine", "tap": "mistyped"}),
    )
    assert (stored(lab, event.id, "etch_s"), stored(lab, event.id, "bath_c")) == (1200.0, 22.0)


def test_the_same_correction_twice_is_one(client: TestClient, lab: LogLab) -> None:
    """The same form sent again answers the same and changes nothing more."""
    event = lab.step("oxide_etch", lab.second, settings={"etch_s": 1000.0})
    path = f"/log/correct/{event.id}"
    form = {**fields_of(client.get(path).text), **ME, "etch_s": "1090", "tap": "mistyped"}
    first = client.post(path, data=form)
    after_first = stored(lab, event.id, "version")
    second = client.post(path, data=form)
    assert (first.status_code, second.status_code) == (303, 303)
    assert first.headers["location"] == second.headers["location"]
    assert stored(lab, event.id, "version") == after_first


def test_taken_back_in_two_clicks_and_with_what_depends(client: TestClient, lab: LogLab) -> None:
    """From the record, Take back and the reason; a session's shots are listed with links and go with it."""
    sitting = lab.sitting()
    (shot,) = lab.shots(sitting, {"device": "0101", "outcome": "good"})
    assert f"/log/void/{sitting}" in client.get(f"/log/record/{sitting}").text
    assert '<button name="tap" value="twice"' in client.get(f"/log/void/{sitting}").text
    asked = send(client, f"/log/void/{sitting}", **ME, tap="twice")
    assert asked.status_code == 409
    assert f'href="/log/record/{shot.id}"' in asked.text
    assert f"/log/move?from=W001-1-0101&amp;events={shot.id}" in asked.text
    follow(client, send(client, f"/log/void/{sitting}", **ME, tap="twice", also="yes"))
    assert stored(lab, shot.id, "voided_at") is not None
    assert client.get(f"/log/correct/{sitting}").status_code == 409


def test_moved_to_another_device(client: TestClient, lab: LogLab) -> None:
    """Ticked records go to the other device as one deed; what is missing or unknown is told and stays typed."""
    (shot,) = lab.shots(lab.sitting(), {"device": "0101", "outcome": "good"})
    assert "/log/move?from=W001-1-0101" in client.get("/devices/W001-1-0101").text
    path = f"/log/move?from=W001-1-0101&events={shot.id}"
    assert f'name="event" value="{shot.id}" checked' in client.get(path).text
    unknown = send(client, path, **ME, to="W001-1-9999", event=str(shot.id), tap="wrong_piece")
    assert unknown.status_code == 409
    assert value_of(unknown, "to") == "W001-1-9999"
    bare = send(client, "/log/move?from=W001-1-0101", **ME, to="")
    assert bare.status_code == 422
    assert "Tick at least one record" in said(bare)
    follow(client, send(client, path, **ME, to="W001-1-0102", event=str(shot.id), tap="wrong_piece"))
    assert "/devices/W001-1-0102" in client.get(f"/log/record/{shot.id}").text
    assert stored(lab, shot.id, "device_id") != shot.device_id
    assert client.get("/log/move?from=W001-1-9999").status_code == 404
    assert "Nothing is logged" in said(client.get("/log/move?from=W001-1-0101"))


def test_a_reject_is_reinstated_from_its_page(client: TestClient, lab: LogLab) -> None:
    """The device's page leads to an inspection with device and stage filled in; with a reason it counts again."""
    inspected(lab, FindingIn(device="0101", verdict="reject"))
    to = "/log/inspection?devices=W001-1-0101&stage=undercut"
    assert to.replace("&", "&amp;") in client.get("/devices/W001-1-0101").text
    form = client.get(to)
    assert value_of(form, "r0-device") == "W001-1-0101"
    assert fields_of(form.text)["stage"] == "undercut"
    without = send(client, to, **ME, **{"r0-verdict": "good"})
    assert without.status_code == 409
    follow(client, send(client, to, **ME, **{"r0-verdict": "good"}, reinstates="Dust, not an edge"))
    assert to.replace("&", "&amp;") not in client.get("/devices/W001-1-0101").text


@pytest.mark.parametrize("address", ["/log/correct/4711", "/log/void/4711", "/log/correct/99999999999", "/log/move"])
def test_unknown_ones_are_not_there(client: TestClient, lab: LogLab, address: str) -> None:
    """What is not there is said, never a failure of the server."""
    assert client.get(address).status_code == 404
    if address != "/log/move":
        assert client.post(address, data={**ME, "tap": "twice"}).status_code == 404


def test_an_ending_has_a_reason_of_its_own(client: TestClient, lab: LogLab) -> None:
    """Why a piece was ended and why that record is changed are two fields; neither stands in for the other."""
    with lab.deed() as w:
        event = end_piece(w, EndingIn(piece_id=lab.second, reason="Measured")).id
    path = f"/log/correct/{event}"
    sent = send(client, path, **ME, reason="Superseded", why="it was the other one")
    assert said(follow(client, sent)).count("Superseded") == 1
    assert stored(lab, event, "reason") == "Superseded"
    assert "it was the other one" in said(client.get(f"/history?table=event&id={event}"))
    assert send(client, path, **ME, reason="Kept", why="").status_code == 409
