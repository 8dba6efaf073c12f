"""Pages of devices, of parting, of what is in hand, and the code field."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from app.actions.pieces import register_wafer
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Lot, Piece
from app.db.models.people import Tool, ToolEvent
from app.db.session import Database
from app.schemas.pieces import WaferIn
from tests.pieces_lab import bare_wafer, device_places, expose, fibre, inspect, person, shoot, step, take, wafer

KEY = "k" * 32


@pytest.fixture
def lab(database: Database, client: TestClient) -> Database:
    """A lab with AB, who is logging at this machine."""
    client.cookies.set("marver_person", f"{person(database)}.1790000000")
    return database


# --- a device --------------------------------------------------------------------------------------------------


@pytest.fixture
def toroid(lab: Database) -> str:
    """A device with its life, and its code."""
    piece = bare_wafer(lab, "W001", oxide_um=2.0)
    expose(lab, piece, 2, 2)
    (device,) = take(lab, piece, [(1, 1)])
    step(lab, "undercut", piece, 4)
    shoot(lab, [device], at=6, outcome="off_centre")
    inspect(lab, piece, "reflowed", {device: "usable"}, at=7, outer_um=66.0, minor_um=8.0)
    return "W001-1-0101"


def test_a_devices_page_tells_its_whole_life(client: TestClient, toroid: str) -> None:
    """Inherited steps, shot with worked-out intensity, inspection, expected minor diameter, no scan yet."""
    page = client.get(f"/devices/{toroid}").text
    for words in ("Inherited from", "Lithography", "Undercut", "Off-centre", "Usable", "Minor diameter expected",
                  "No scan yet", f"/devices/{toroid}/scans/new", "Upload a scan"):  # fmt: skip
        assert words.lower() in page.lower(), words
    assert "31.8" in page  # 2 × 5 W / (π (0.01 cm)²) in kW/cm²
    assert "style=" not in page


def test_a_devices_address_takes_any_case_and_unknown_ones_are_said(client: TestClient, toroid: str) -> None:
    """Small letters lead on; a site not in hand is no device yet."""
    assert client.get("/devices/w001-1-0101").headers["location"] == f"/devices/{toroid}"
    missing = client.get("/devices/W001-1-0202")
    assert missing.status_code == 404
    assert "take it in hand first" in missing.text


def test_a_purpose_is_changed_once(client: TestClient, lab: Database, toroid: str) -> None:
    """Twice the same form is one change; the same purpose again, and an unknown one, are refused in words."""
    form = {"purpose": "test", "_key": KEY}
    first = client.post(f"/devices/{toroid}/purpose", data=form)
    assert first.status_code == 303
    assert client.post(f"/devices/{toroid}/purpose", data=form).headers["location"] == first.headers["location"]
    again = client.post(f"/devices/{toroid}/purpose", data={"purpose": "test", "_key": "n" * 32})
    assert again.status_code == 409
    assert "is test already" in again.text
    assert "not one of" in client.post(f"/devices/{toroid}/purpose", data={"purpose": "toy"}).text
    with lab.reading() as session:
        assert session.scalar(select(DEVICE_FACTS.c.purpose)) == "test"


def test_nobody_changes_no_purpose(client: TestClient, lab: Database, toroid: str) -> None:
    """Without a person nothing is saved."""
    client.cookies.clear()
    response = client.post(f"/devices/{toroid}/purpose", data={"purpose": "test"})
    assert response.status_code == 409
    assert "Nobody is logging" in response.text


# --- parting ---------------------------------------------------------------------------------------------------


def rows(**fields: str) -> dict[str, str]:
    """A parting form of W001 with these fields; `r0_code` stands for `r0-code`."""
    named = {
        name.replace("_", "-", 1) if name[:1] == "r" and name[1].isdigit() else name: v for name, v in fields.items()
    }
    return {"piece": "W001", "rows": "6", "done_at": "now", "_key": KEY, **named}


def test_a_wafer_is_parted_by_its_form(client: TestClient, lab: Database) -> None:
    """Rows of sites, and the rest; sizes with their units; devices go along; the page shows the pieces."""
    piece = wafer(lab, "W001")
    take(lab, piece, [(1, 1), (4, 5)])
    assert "Usual codes: W001-A, W001-B" in client.get("/log/parting?pieces=W001").text
    form = rows(r0_code="w001-a", r0_sites_1="rows 1-2", r0_width_mm="1,3 cm", r1_code="W001-B", r1_sites_1="rest")
    response = client.post("/log/parting", data=form)
    assert response.status_code == 303
    page = client.get(response.headers["location"])
    assert "W001 was parted" in page.text
    assert "W001-A" in page.text
    assert "13 mm" in client.get("/chips/W001-A").text
    assert client.post("/log/parting", data=form).headers["location"] == response.headers["location"]
    with lab.reading() as session:
        ids = {code: number for number, code in session.execute(select(Piece.id, Piece.code))}
    assert device_places(lab) == {"W001-1-0101": ids["W001-A"], "W001-1-0405": ids["W001-B"]}


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({}, "Name at least one piece"),
        ({"r0_sites_1": "rows 1-2"}, "Give a code"),
        ({"r0_code": "A", "r0_sites_1": "rows 1-9"}, "reaches outside"),
        ({"r0_code": "A", "r0_sites_1": "half"}, "or 'rest' for all that no other piece keeps"),
        ({"r0_code": "A", "r0_sites_1": "row 1", "r3_code": "B", "r3_sites_1": "rows 1-2"}, "is kept by A already"),
        ({"r0_code": "W001", "r0_sites_1": "rest"}, "already in use"),
        ({"r0_code": "A B", "r0_sites_1": "rest"}, "cannot be a code"),
        ({"r0_code": "A", "r0_sites_1": "rest", "r0_width_mm": "-3"}, "cannot be"),
        ({"r0_code": "A", "r0_sites_1": "rows 1-3"}, "on sites that no piece keeps: W001-1-0405"),
        ({"r0_code": "A", "r0_sites_1": "rest", "done_at": "2099-01-01"}, "future"),
    ],
)
def test_a_bad_parting_is_told_where_and_kept(
    client: TestClient, lab: Database, fields: dict[str, str], says: str
) -> None:
    """The message stands at its row; every cell stays as typed; the wafer stays whole."""
    piece = wafer(lab, "W001")
    take(lab, piece, [(4, 5)])
    response = client.post("/log/parting", data=rows(**fields, protection="resist over the discs"))
    assert response.status_code in (409, 422)
    assert says in response.text.replace("&#39;", "'")
    assert "resist over the discs" in response.text
    for name, value in fields.items():
        if name.startswith("r") and not name.endswith("done_at"):
            assert (
                f'value="{value.upper() if name.endswith("code") else value}"' in response.text
                or value in response.text
            )
    with lab.reading() as session:
        assert list(session.scalars(select(Piece.code))) == ["W001"]


def test_devices_left_over_may_be_said_to_be_lost(client: TestClient, lab: Database) -> None:
    """Lost rows, or the tick that loses whatever no piece keeps."""
    piece = wafer(lab, "W001")
    take(lab, piece, [(1, 1), (4, 5)])
    form = rows(r0_code="A", r0_sites_1="row 1", lost_1="row 4")
    assert client.post("/log/parting", data=form).status_code == 303
    with lab.reading() as session:
        lost = session.scalars(select(DEVICE_FACTS.c.device_code).where(DEVICE_FACTS.c.lost_at.is_not(None))).all()
    assert lost == ["W001-1-0405"]


def test_what_cannot_be_parted_is_said(client: TestClient, lab: Database) -> None:
    """A fibre batch, an unknown piece, none at all, and one that was parted before."""
    fibre(lab, "F001")
    bare_wafer(lab, "W001")
    assert "only a wafer or a chip" in client.get("/log/parting?pieces=F001").text
    assert client.get("/log/parting?pieces=W404").status_code == 404
    assert client.get("/log/parting").status_code == 307
    assert client.post("/log/parting", data=rows(r0_code="A")).status_code == 303
    twice = client.post("/log/parting", data={**rows(r0_code="B"), "_key": "n" * 32})
    assert twice.status_code == 409
    assert "was parted" in twice.text


# --- in hand, code field ---------------------------------------------------------------------------------------


def test_an_empty_lab_says_what_to_do_first(client: TestClient, database: Database) -> None:
    """No piece yet: begin, or register one."""
    page = client.get("/")
    assert page.status_code == 200
    assert "This lab holds no piece yet" in page.text
    assert 'href="/start"' in page.text
    assert client.get("/in-hand").headers["location"] == "/"


def test_what_waits_what_is_due_and_what_was_logged(client: TestClient, lab: Database) -> None:
    """Pieces by the step they wait for, the one that stalled, an old calibration, a bath that ends, today's deeds."""
    now = datetime.now(UTC)
    bare_wafer(lab, "W001")
    with lab.writing("register wafer", operator_id=1, now=now - timedelta(days=3)) as writing:
        register_wafer(writing, WaferIn(code="W002", arrived_stage="patterned"))
    with lab.writing("take in hand", operator_id=1) as writing:
        meter = Tool(code="PM1", code_key="pm1", kind="power_meter", name="Laser power meter")
        writing.add(meter)
        past = ToolEvent(tool_id=meter.id, kind="calibration", done_at=now - timedelta(days=400),
                         logged_at=now, what="w_per_dial", valid_until=now - timedelta(days=3, hours=1))  # fmt: skip
        bath = Lot(code="OE-07", code_key="oe-07", kind="etchant_bath", expires_at=now + timedelta(days=6, hours=1))
        writing.add(past, bath)
        register_wafer(writing, WaferIn(code="W003", points_um=(2.0, 2.1)))
    page = client.get("/").text
    assert "Stalled: 1 piece" in page
    assert page.index("W003") < page.index("W002") < page.index("Stalled")
    assert "/log/oxide-etch?pieces=W002" in page
    assert "3\u00a0d late" in page
    assert "6\u00a0d left" in page
    assert "Oxide measurement" in page
    assert "2 things need" in page


def test_a_renewed_calibration_is_due_no_more(client: TestClient, lab: Database) -> None:
    """Only the latest calibration of a tool's figure counts."""
    now = datetime.now(UTC)
    bare_wafer(lab, "W001")
    with lab.writing("calibrate", operator_id=1) as writing:
        meter = Tool(code="PM1", code_key="pm1", kind="power_meter", name="Laser power meter")
        writing.add(meter)
        for age, left in ((400, -3), (2, 300)):
            done, until = now - timedelta(days=age), now + timedelta(days=left)
            writing.add(
                ToolEvent(
                    tool_id=meter.id,
                    kind="calibration",
                    done_at=done,
                    logged_at=done,
                    what="w_per_dial",
                    valid_until=until,
                )
            )
    assert "No calibration or lot runs out" in client.get("/").text


@pytest.mark.parametrize(("typed", "leads"), [("w001", "/wafers/W001"), (" W001-1-0101 ", "/devices/W001-1-0101")])
def test_a_code_leads_to_its_page(client: TestClient, toroid: str, typed: str, leads: str) -> None:
    """Pieces and devices, however typed."""
    response = client.get("/find", params={"code": typed})
    assert response.status_code == 303
    assert response.headers["location"] == leads


def test_an_unknown_code_is_helped_along(client: TestClient, toroid: str) -> None:
    """Codes like it, a site not in hand yet, an empty field, and rubbish are each answered."""
    assert "W001-1-0101" in client.get("/find", params={"code": "W001-1-0l01"}).text
    free = client.get("/find", params={"code": "W001-1-0202"})
    assert free.status_code == 404
    assert "/wafers/W001/take?sites=1-0202" in free.text
    assert client.get("/find").status_code == 200
    rubbish = client.get("/find", params={"code": "<b>💥</b>" * 40})
    assert rubbish.status_code == 404
    assert "<b>💥" not in rubbish.text


def test_two_people_name_one_chip_and_the_second_is_told(client: TestClient, lab: Database) -> None:
    """Both open the form; the second parting finds the wafer closed, and what was typed is kept."""
    wafer(lab, "W001")
    assert client.post("/log/parting", data=rows(r0_code="W001-A", r0_sites_1="rest")).status_code == 303
    late = {**rows(r0_code="W001-X", r0_sites_1="rest", note="mine"), "_key": "n" * 32}
    response = client.post("/log/parting", data=late)
    assert response.status_code == 409
    assert "W001 was parted" in response.text
    assert "W001-X" in response.text


def test_takings_of_one_day_are_one_line(client: TestClient, lab: Database) -> None:
    """On the process sheet what was taken in hand one after another stands together."""
    piece = wafer(lab, "W001")
    take(lab, piece, [(1, 1)], at=2)
    take(lab, piece, [(1, 2)], at=2.1)
    page = client.get("/wafers/W001").text
    assert page.count("Taking in hand") == 1
