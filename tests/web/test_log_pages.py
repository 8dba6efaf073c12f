"""Log pages: each works without JavaScript, keeps what was typed when something is wrong, and saves once."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from html import unescape
from typing import Any

import pytest
from sqlalchemy import func, select
from starlette.testclient import TestClient

from app.actions.log_fate import record_losses
from app.actions.taking import take_sites
from app.core.step_catalogue import PIECE_STEPS
from app.db.models.audit import AuditEntry
from app.db.models.events import Event, Loss
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Device, Exposure, Piece
from app.db.models.seen import Inspection, OxideMeasurement
from app.db.session import Database
from app.schemas.log import LossesIn, LossIn
from tests.log_lab import LogLab

Send = Callable[..., Any]
ME = {"_operator": "1"}


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab to log in, on the client's own database, whose first wafer is ready for the laser."""
    lab = LogLab(database, datetime.now(UTC))
    lab.exposed()
    return lab


def said(response: Any) -> str:
    """What a page says, without its markup."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", response.text)).split())


def value_of(response: Any, name: str) -> str:
    """What stands in a field of the page."""
    found = re.search(rf'name="{name}"[^>]*? value="([^"]*)"', response.text)
    return unescape(found[1]) if found else ""


def count(lab: LogLab, kind: str) -> int:
    """How many records of a kind there are."""
    with lab.database.reading() as session:
        return session.scalar(select(func.count()).select_from(Event).where(Event.kind == kind)) or 0


def follow(client: TestClient, response: Any) -> Any:
    """Go where a save led."""
    assert response.status_code == 303, said(response)
    shown = client.get(response.headers["location"])
    assert shown.status_code == 200
    return shown


def test_choosing_pieces_leads_to_the_form(client: TestClient, lab: LogLab) -> None:
    """Codes typed and pieces ticked go on to the form of what was done; codes add up one read after the other."""
    page = client.get("/log")
    assert "W002" in page.text
    assert "Oxide etch" in page.text
    more = client.get("/log?pieces=w001&p=W002")
    assert "Chosen: W001 , W002" in said(more)
    to = client.get("/log?p=W002&pieces=W001&to=/log/oxide-etch")
    assert to.headers["location"] == "/log/oxide-etch?pieces=W001%2CW002"
    unknown = client.get("/log?pieces=W077&to=/log/oxide-etch")
    assert "No piece is called W077" in said(unknown)
    assert client.get("/log?pieces=W001&to=https://elsewhere.example").status_code == 200


@pytest.mark.parametrize("kind", sorted(PIECE_STEPS))
def test_every_step_kind_has_its_form(client: TestClient, lab: LogLab, kind: str) -> None:
    """The form of each kind stands with its cautions in sight and every setting it declares."""
    step = PIECE_STEPS[kind]
    page = client.get(f"/log/{kind.replace('_', '-')}?pieces={'F001' if 'wafer' not in step.pieces else 'W002'}")
    assert page.status_code == 200
    for setting in step.settings:
        assert f'name="{setting.name}"' in page.text
    if step.cautions:
        assert "Your lab's own rules, local codes and trained supervision come first." in unescape(page.text)


def test_a_recipe_fills_the_form_and_departures_show(client: TestClient, lab: LogLab) -> None:
    """A recipe version fills in settings, never readings; the record shows what departed with both values."""
    page = client.get(f"/log/oxide-etch?pieces=W001,W002&recipe={lab.etch}")
    assert value_of(page, "etch_s") == "1090"
    assert value_of(page, "disc_after_um") == ""
    form = {
        **ME,
        "_key": value_of(page, "_key"),
        "recipe": str(lab.etch),
        "pieces": value_of(page, "pieces"),
        "tool_id": str(lab.hood),
        "etchant_ratio": "6:1",
        "bath_c": "21,5",
        "etch_s": "19 min 40 s",
        "end_point": "dewets",
        "disc_after_um": "86,4 um",
        "said": "20 min ago",
    }
    record = follow(client, client.post("/log/oxide-etch", data=form))
    assert "is logged" in said(record)
    assert "1\u202f180\u00a0s departs from the recipe's 1\u202f090\u00a0s" in unescape(
        re.sub("<[^>]+>", "", record.text)
    )
    assert "21.5" in said(record)
    with lab.database.reading() as session:
        row = session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id == lab.second)).mappings().one()
    assert (row["oxide_etch_etch_s"], row["oxide_etch_bath_c"], row["oxide_etch_disc_after_um"]) == (1180.0, 21.5, 86.4)


@pytest.mark.parametrize(
    ("field", "typed", "says"),
    [
        ("etch_s", "-30", "cannot be"),
        ("etch_s", "long", "is not a number"),
        ("etch_s", "3 kg", "is not one of its units"),
        ("pieces", "W001 W099", "W099: no piece has this code"),
        ("pieces", "", "Pieces is missing"),
        ("pieces", "F001", "F001 is a fibre batch"),
        ("done_at", "next tuesday", "is not understood"),
        ("done_at", "2099-01-01 10:00", "lies in the future"),
        ("end_point", "guess", "is not one of the choices"),
        ("note", "x" * 10001, "at most 10000"),
    ],
)
def test_a_bad_field_keeps_everything_typed(client: TestClient, lab: LogLab, field: str, typed: str, says: str) -> None:
    """What is wrong is said in clear words, everything typed stays, and nothing is saved."""
    form = {**ME, "pieces": "W001", "bath_c": "21,5", "etch_s": "1100", "note": "murky bath", field: typed}
    page = client.post("/log/oxide-etch", data=form)
    assert page.status_code in (409, 422)
    assert says in said(page)
    for name in ("pieces", "bath_c", "etch_s", "done_at"):
        assert value_of(page, name) == form.get(name, "")
    assert "Traceback" not in page.text
    assert count(lab, "oxide_etch") == 1


def test_unusual_values_are_confirmed_in_place(client: TestClient, lab: LogLab) -> None:
    """An unusual value is asked about; the same form with Keep it ticked is saved."""
    form = {**ME, "_key": "unusual-form-1", "pieces": "W002", "etch_s": "9000"}
    asked = client.post("/log/oxide-etch", data=form)
    assert asked.status_code == 409
    assert "Please confirm before this is saved" in said(asked)
    follow(client, client.post("/log/oxide-etch", data={**form, "_keep": "etch_s"}))


def test_the_same_form_twice_is_one_record(client: TestClient, lab: LogLab) -> None:
    """Sent twice, or Back and again, a form is saved once; changed under the same key it is told so."""
    form = {**ME, "_key": "twice-form-1", "pieces": "W002", "etch_s": "1000"}
    first = client.post("/log/oxide-etch", data=form)
    again = client.post("/log/oxide-etch", data=form)
    assert first.headers["location"] == again.headers["location"]
    assert count(lab, "oxide_etch") == 2
    other = client.post("/log/oxide-etch", data={**form, "etch_s": "1200"})
    assert other.status_code == 409
    assert "already saved with other content" in said(other)
    assert value_of(other, "etch_s") == "1200"


def test_nobody_logging_is_asked_for_on_the_form(client: TestClient, lab: LogLab) -> None:
    """Without a person nothing is saved, everything stays, and the form itself offers the people."""
    assert 'name="_operator" required' in client.get("/log/oxide-etch?pieces=W001").text
    page = client.post("/log/oxide-etch", data={"pieces": "W002", "etch_s": "1000"})
    assert page.status_code == 409
    assert "Nobody is logging" in said(page)
    assert value_of(page, "etch_s") == "1000"
    follow(client, client.post("/log/oxide-etch", data={"pieces": "W002", "etch_s": "1000", "_operator": ["", "1"]}))


def test_details_unknown_takes_nothing_over_from_the_recipe(client: TestClient, lab: LogLab) -> None:
    """One click logs a step as done: what the recipe filled in is not claimed, what was typed is asked about."""
    form = {
        **ME,
        "pieces": "W002",
        "recipe": str(lab.etch),
        "etchant_ratio": "6:1",
        "bath_c": "21.0",
        "etch_s": "1090",
        "end_point": "dewets",
        "unknown": "yes",
    }
    record = follow(client, client.post("/log/oxide-etch", data=form))
    assert "Details unknown" in said(record)
    assert "Etch time" not in said(record)
    typed = client.post("/log/oxide-etch", data={**form, "etch_s": "1200"})
    assert typed.status_code == 409
    assert "Etch time is known here" in said(typed)


def test_lithography_exposes_arrays_and_undercut_keeps_segments(client: TestClient, lab: LogLab) -> None:
    """Ticked arrays become exposures; segment rows stay rows; steps forgotten before go in with it."""
    form = {**ME, "pieces": "W002", "array_ids": [str(lab.array)], "uv_exposure_s": "12"}
    follow(client, client.post("/log/lithography", data=form))
    page = client.get(f"/log/undercut?pieces=W002&recipe={lab.undercut}")
    assert value_of(page, "r0-cycles") == "12"
    assert "Oxide etch, not logged on W002" in said(page)
    rows = {
        "r0-cycles": "12",
        "r0-cycle_s": "1 min",
        "r0-xef2_torr": "3,0",
        "r1-cycles": "4",
        "r1-cycle_s": "30",
        "r1-xef2_torr": "2",
        "r2-cycles": "",
    }
    form = {**ME, "pieces": "W002", "recipe": str(lab.undercut), "forgotten": "oxide_etch", **rows}
    record = follow(client, client.post("/log/undercut", data=form))
    assert "2\u202f400\u00a0Torr·s" in unescape(record.text)
    bad = client.post("/log/undercut", data={**form, "r1-cycles": "2.5"})
    assert bad.status_code == 422
    assert "Row 2: Cycles: “2.5” is not a whole number" in said(bad)
    assert value_of(bad, "r1-cycles") == "2.5"
    with lab.database.reading() as session:
        assert session.scalars(select(Exposure.root_id)).all() == [lab.wafer, lab.second]
        assert session.scalar(select(PIECE_FACTS.c.oxide_etch_count).where(PIECE_FACTS.c.piece_id == lab.second)) == 1


def test_a_step_on_a_lost_piece_is_refused(client: TestClient, lab: LogLab) -> None:
    """A deed on a piece that is gone is impossible, and the page says since when."""
    with lab.deed() as w:
        record_losses(w, LossesIn(rows=(LossIn(what="W002", cause="broken"),), done_at=lab.ago(hours=2)))
    page = client.post("/log/oxide-etch", data={**ME, "pieces": "W002", "etch_s": "1000"})
    assert page.status_code == 409
    assert "after W002 was lost" in said(page)


def session_id(client: TestClient, lab: LogLab) -> int:
    """A session opened through its form an hour ago."""
    form = {**ME, "tool_id": str(lab.laser), "spot_um": "0,2 mm", "warm_up_min": "1 h", "said": "this morning"}
    form = {**form, "done_at": "60 min ago", "alignment": "burn_mark"}
    to = client.post("/log/reflow-session?pieces=W001", data=form)
    assert to.status_code == 303, said(to)
    found = re.fullmatch(r"/log/reflow/(\d+)\?pieces=W001", to.headers["location"])
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
