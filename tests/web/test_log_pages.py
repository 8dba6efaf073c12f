"""Log pages: each works without JavaScript, keeps what was typed when something is wrong, and saves once."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html import unescape

import pytest
from sqlalchemy import func, select
from starlette.testclient import TestClient

from app.actions.log_fate import record_losses
from app.core.step_catalogue import PIECE_STEPS
from app.db.models.events import Event
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Exposure
from app.db.session import Database
from app.schemas.log import LossesIn, LossIn
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
    assert first.headers["location"] in other.text
    as_new = {**form, "_key": value_of(other, "_key"), "etch_s": "1200"}
    assert as_new["_key"] != "twice-form-1"
    assert follow(client, client.post("/log/oxide-etch", data=as_new)).status_code == 200
    assert count(lab, "oxide_etch") == 3


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
