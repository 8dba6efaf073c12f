"""Log pages with rows: reflow sessions and shots, measurements, inspections, losses, taking back, correcting."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html import unescape

import pytest
from sqlalchemy import func, select
from starlette.testclient import TestClient

from app.actions.taking import take_sites
from app.db.models.audit import AuditEntry
from app.db.models.events import Event, Loss
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Device, Piece
from app.db.models.seen import Inspection, OxideMeasurement
from app.db.session import Database
from tests.log_lab import LogLab
from tests.web.saying import follow, said, value_of

ME = {"_operator": "1"}


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab to log in, on the client's own database, whose first wafer is ready for the laser."""
    lab = LogLab(database, datetime.now(UTC))
    lab.exposed()
    return lab


def count(lab: LogLab, kind: str) -> int:
    """How many records of a kind there are."""
    with lab.database.reading() as session:
        return session.scalar(select(func.count()).select_from(Event).where(Event.kind == kind)) or 0


def session_id(client: TestClient, lab: LogLab, query: str = "pieces=W001") -> int:
    """A session opened through its form an hour ago."""
    form = {**ME, "tool_id": str(lab.laser), "spot_um": "0,2 mm", "warm_up_min": "1 h", "said": "this morning"}
    form = {**form, "done_at": "60 min ago", "alignment": "burn_mark"}
    to = client.post(f"/log/reflow-session?{query}", data=form)
    assert to.status_code == 303, said(to)
    found = re.fullmatch(rf"/log/reflow/(\d+)\?{query}", to.headers["location"])
    assert found
    return int(found[1])


def test_a_session_is_opened_and_gone_on_with(client: TestClient, lab: LogLab) -> None:
    """A session keeps what was read; it is offered to go on with, and a bad reading is told at its field."""
    sitting = session_id(client, lab)
    page = client.get("/log/reflow-session?pieces=W001")
    assert f"/log/reflow/{sitting}?pieces=W001" in page.text
    assert "200" in said(client.get(f"/log/reflow/{sitting}"))
    bad = client.post("/log/reflow-session", data={**ME, "spot_um": "wide", "warm_up_min": "20"})
    assert bad.status_code == 422
    assert value_of(bad, "spot_um") == "wide"
    assert value_of(bad, "warm_up_min") == "20"
    assert client.get("/log/reflow/4711").status_code == 404


def shot(row: int, device: str, **more: str) -> dict[str, str]:
    """One row of the shots form as the recipe fills it in."""
    row_ = {"device": device, "dialled": "45.00", "dial_unit": "%", "exposure_s": "3.00", "purpose": "reflow", **more}
    return {f"r{row}-{name}": value for name, value in row_.items()}


def test_shots_are_logged_row_by_row_without_anything_seen_filled_in(client: TestClient, lab: LogLab) -> None:
    """Rows stand as planned, without an outcome; only rows with one are saved, with what they put on the sample."""
    sitting = session_id(client, lab)
    with lab.deed() as w:
        take_sites(w, w.session.get_one(Piece, lab.wafer), 1, [(1, 1), (1, 2), (1, 3)], done_at=lab.ago(days=1))
    page = client.get(f"/log/reflow/{sitting}?pieces=W001&recipe={lab.melt}")
    assert value_of(page, "r0-device") == "W001-1-0101"
    assert value_of(page, "r0-dialled") == "45.00"
    assert not re.search(r'name="r0-outcome".*?selected', page.text.split("</select>")[0], re.DOTALL)
    assert "34.4" in said(page)
    ahead = "W001-1-0101 W001-1-0102 W001-1-0103"
    form = {**ME, "pieces": "W001", "recipe": str(lab.melt), "ahead": ahead}
    rows = shot(0, "W001-1-0101", outcome="good") | shot(1, "W001-1-0102", outcome="open", dialled="50")
    saved = follow(client, client.post(f"/log/reflow/{sitting}", data=form | rows | shot(2, "W001-1-0103")))
    assert "2 shots are logged" in said(saved)
    assert value_of(saved, "r0-device") == "W001-1-0103"
    assert count(lab, "reflow") == 2
    with lab.database.reading() as session:
        outcomes = session.execute(select(DEVICE_FACTS.c.device_code, DEVICE_FACTS.c.reflow_outcome))
        assert dict(outcomes.all()) == {"W001-1-0101": "good", "W001-1-0102": None, "W001-1-0103": None}


def test_a_bad_shot_row_keeps_the_whole_form(client: TestClient, lab: LogLab) -> None:
    """Each bad row is told at its place and nothing is saved: negative power, text, a device of another piece."""
    sitting = session_id(client, lab)
    rows = (
        shot(0, "0101", outcome="good", dialled="2,70 W", dial_unit="")
        | shot(1, "0102", outcome="good", dialled="-2")
        | shot(2, "0103", outcome="good", exposure_s="long")
        | shot(3, "0104", dialled="47")
        | {"r4-note": "dust"}
    )
    form = {**ME, "pieces": "W001", "recipe": str(lab.melt), "ahead": "0101 0102 0103 0104"}
    page = client.post(f"/log/reflow/{sitting}", data=form | rows)
    assert page.status_code == 422
    words = said(page)
    assert "Row 2: Dialled −2" in words
    assert "cannot be" in words
    assert "Row 3: Exposure: “long” is not a number" in words
    assert "Row 4: Say the outcome" in words
    assert "Row 5: Say the outcome" in words
    assert value_of(page, "r0-dialled") == "2,70 W"
    assert value_of(page, "r3-dialled") == "47"
    assert value_of(page, "r4-note") == "dust"
    other = shot(0, "F001-03", outcome="good") | shot(1, "0199", outcome="good")
    page = client.post(f"/log/reflow/{sitting}", data=form | other)
    assert page.status_code == 409
    assert "Row 1: F001-03 is on F001, not on W001" in said(page)
    assert "Row 2: No piece holds the site" in said(page)
    assert client.post(f"/log/reflow/{sitting}", data=form).status_code == 422
    assert count(lab, "reflow") == 0
    fixed = shot(0, "0101", outcome="good", dialled="2,70 W", dial_unit="")
    follow(client, client.post(f"/log/reflow/{sitting}", data=form | fixed))
    with lab.database.reading() as session:
        assert session.scalars(select(DEVICE_FACTS.c.reflow_power_w)).all() == [2.7]


def test_measuring_saves_the_rows_filled_in(client: TestClient, lab: LogLab) -> None:
    """Empty rows say nothing; the saved ones show their pillar ratio; odd ones are asked about or refused in place."""
    page = client.get("/log/undercut-measurement?pieces=W001&devices=W001-1-0101,W001-1-0102")
    assert value_of(page, "r1-device") == "W001-1-0102"
    form = {**ME, "pieces": "W001", "ahead": "W001-1-0101 W001-1-0102", "r1-device": "W001-1-0102"}
    row = {"r0-device": "W001-1-0101", "r0-disc_um": "90,0", "r0-pillar_top_x_um": "0.036 mm"}
    saved = follow(client, client.post("/log/undercut-measurement", data=form | row))
    assert "1 device is measured" in said(saved)
    assert "0.40" in said(saved)
    thin = client.post("/log/undercut-measurement", data=form | row | {"r0-device": "0103", "r0-pillar_top_x_um": "9"})
    assert thin.status_code == 409
    assert 'value="0:pillar_ratio"' in thin.text
    wide = client.post("/log/undercut-measurement", data=form | row | {"r0-pillar_top_x_um": "95"})
    assert "does not fit under a disc" in said(wide)
    assert client.post("/log/undercut-measurement", data=form).status_code == 422
    assert count(lab, "undercut_measurement") == 1


def test_oxide_is_measured_at_several_points(client: TestClient, lab: LogLab) -> None:
    """Points are read one after the other, commas, units and all; what cannot be read is told."""
    assert client.get("/log/oxide-measurement?pieces=W001").status_code == 200
    form = {**ME, "pieces": "W001", "points_um": "2.01 1,98; 2030 nm"}
    follow(client, client.post("/log/oxide-measurement", data=form))
    with lab.database.reading() as session:
        assert session.scalars(select(OxideMeasurement.points_um)).all() == [[2.01, 1.98, 2.03]]
    bad = client.post("/log/oxide-measurement", data={**form, "points_um": "2.01 thick"})
    assert bad.status_code == 422
    assert value_of(bad, "points_um") == "2.01 thick"


def test_an_inspection_passes_the_rest_and_names_exceptions(client: TestClient, lab: LogLab) -> None:
    """All seen with one exception named by its site; what was seen stands on the record."""
    sitting = lab.sitting()
    lab.shots(sitting, {"device": "0101"}, {"device": "0102"}, {"device": "0103"})
    page = client.get("/log/inspection?pieces=W001")
    assert re.search(r'name="cover" value="all" checked', page.text)
    assert not re.search(r"selected>Good", page.text.split("Devices named")[1])
    each = client.get("/log/inspection?pieces=W001&each=1")
    assert value_of(each, "r2-device") == "W001-1-0103"
    form = {**ME, "pieces": "W001", "stage": "reflowed", "cover": "all", "rest": "good"}
    row = {"r0-device": "0102", "r0-verdict": "reject", "r0-defect": "rim_off_centre", "r0-outer_um": "71,5"}
    record = follow(client, client.post("/log/inspection", data=form | row))
    assert "W001-1-0102 reject" in said(record)
    with lab.database.reading() as session:
        rows = session.execute(select(DEVICE_FACTS.c.device_code, DEVICE_FACTS.c.reflowed_outcome))
        assert dict(rows.all()) == {"W001-1-0101": "passed", "W001-1-0102": "failed", "W001-1-0103": "passed"}
    again = client.post("/log/inspection", data=form | {**row, "r0-verdict": "good"})
    assert again.status_code == 409
    assert "stood as rejected" in said(again)
    assert value_of(again, "r0-outer_um") == "71,5"


def test_an_inspection_that_is_not_whole_is_told(client: TestClient, lab: LogLab) -> None:
    """A row without verdict, k without n, words for numbers, no stage: each is told and kept."""
    form = {**ME, "pieces": "W001", "stage": "undercut", "cover": "sample", "seen_n": "three", "of_n": "9"}
    page = client.post("/log/inspection", data=form | {"r0-device": "0101", "r0-outer_um": "70"})
    assert page.status_code == 422
    assert "“three” is not a whole number" in said(page)
    assert "Row 1: Give a verdict" in said(page)
    assert value_of(page, "seen_n") == "three"
    page = client.post("/log/inspection", data={**ME, "pieces": "W001", "cover": "all"})
    assert "Say at which stage" in said(page)
    with lab.database.reading() as session:
        assert session.scalars(select(Inspection.id)).all() == []


def test_a_device_alone_brings_its_piece(client: TestClient, lab: LogLab) -> None:
    """Coming from a device's page its piece and its row are filled in; what nobody knows leaves the form empty."""
    lab.shots(lab.sitting(), {"device": "0101"})
    for address in ("inspection", "undercut-measurement"):
        page = client.get(f"/log/{address}?devices=W001-1-0101")
        assert value_of(page, "pieces") == "W001"
        assert value_of(page, "r0-device") == "W001-1-0101"
        assert client.get(f"/log/{address}?devices=W999-1-0101&pieces=W999").status_code == 200
    sitting = session_id(client, lab, "devices=W001-1-0101")
    page = client.get(f"/log/reflow/{sitting}?devices=W001-1-0101")
    assert value_of(page, "r0-device") == "W001-1-0101"
    assert value_of(client.get("/log/loss?devices=W001-1-0101"), "r0-what") == "W001-1-0101"


def test_losses_in_rows(client: TestClient, lab: LogLab) -> None:
    """Several losses at once; a piece named is said to take its devices with it; a row that lacks a cause is told."""
    lab.shots(lab.sitting(), {"device": "0101", "outcome": "good"})
    page = client.get("/log/loss?pieces=W002")
    assert "W002 goes with every device on it" in said(page)
    form = {**ME, "r0-what": "W002", "r0-cause": "dropped", "r1-what": "w001-1-0101", "r1-note": "taper slipped"}
    bad = client.post("/log/loss", data=form)
    assert bad.status_code == 422
    assert "Row 2: Say the cause" in said(bad)
    assert value_of(bad, "r1-note") == "taper slipped"
    record = follow(client, client.post("/log/loss", data={**form, "r1-cause": "taper"}))
    assert "W001-1-0101" in said(record)
    with lab.database.reading() as session:
        assert session.scalars(select(Loss.caused_at)).all() == ["handling", "handling"]
    twice = client.post("/log/loss", data={**form, "r1-cause": "taper", "_key": "another-key"})
    assert twice.status_code == 409
    assert client.post("/log/loss", data=ME).status_code == 422


def test_taking_back_by_its_link(client: TestClient, lab: LogLab) -> None:
    """A record is taken back with a tapped reason; a session asks about its shots first; unknown ones are not there."""
    sitting = lab.sitting()
    lab.shots(sitting, {"device": "0101", "outcome": "good"})
    assert client.get(f"/log/void/{sitting}").status_code == 200
    none = client.post(f"/log/void/{sitting}", data=ME)
    assert "Say why it is taken back" in said(none)
    asked = client.post(f"/log/void/{sitting}", data={**ME, "tap": "twice", "reason": "double"})
    assert asked.status_code == 409
    assert "1 shot depends on it (W001-1-0101)" in said(asked)
    assert value_of(asked, "reason") == "double"
    shown = follow(client, client.post(f"/log/void/{sitting}", data={**ME, "tap": "twice", "also": "yes"}))
    assert "Taken back: it counts nowhere. Entered twice" in said(shown)
    for address in ("void", "record", "correct"):
        assert client.get(f"/log/{address}/4711").status_code == 404


def test_two_people_correct_one_record(client: TestClient, lab: LogLab) -> None:
    """The second of two is shown what stands now beside what was typed; saving again then goes through."""
    event = lab.step("oxide_etch", lab.second, settings={"etch_s": 1000.0})
    page = client.get(f"/log/correct/{event.id}")
    assert value_of(page, "etch_s") == "1000"
    form = {**ME, "version": value_of(page, "version"), "tap": "mistyped"}
    no_reason = client.post(f"/log/correct/{event.id}", data={**form, "etch_s": "1090", "tap": ""})
    assert "Say why the record is changed" in said(no_reason)
    follow(client, client.post(f"/log/correct/{event.id}", data={**form, "etch_s": "1090"}))
    second = client.post(f"/log/correct/{event.id}", data={**form, "etch_s": "1200"})
    assert second.status_code == 409
    assert "Somebody else changed this record" in said(second)
    assert "1\u202f090\u00a0s" in unescape(second.text)
    assert value_of(second, "etch_s") == "1200"
    follow(
        client,
        client.post(
            f"/log/correct/{event.id}", data={**form, "etch_s": "1200", "version": value_of(second, "version")}
        ),
    )
    with lab.database.reading() as session:
        reason = session.scalars(select(AuditEntry.reason).order_by(AuditEntry.seq.desc())).first()
        assert reason == "Mistyped"
        assert session.scalars(select(Device.id)).all() == []
