"""Saved searches: kept for everybody, renamed, taken off the list, each in the audit."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select
from starlette.testclient import TestClient

from app.db.models.audit import AuditEntry
from app.db.models.people import Operator
from app.db.models.searches import SavedSearch
from app.db.session import Database
from app.queries.searches import saved_searches
from tests.queries.small_lab import SmallLab, sites
from tests.web.forms_filled import fields_of, send
from tests.web.test_yield_page import words

NEW = "/searches/new?page=recipes&query=kind%3Dmicrotoroid%26wafers%3DW001%26saved%3D1"


@pytest.fixture
def lab(client: TestClient, database: Database) -> TestClient:
    """A client at whose machine somebody is logging, in a lab with one measured device."""
    small = SmallLab(database)
    piece, (device,) = small.patterned("W001", sites(1, 1))
    small.step("oxide_etch", [piece])
    small.undercut([piece])
    small.shot(device, small.sitting(), "good")
    small.measure(device, 2e8)
    with database.reading() as session:
        who = session.scalars(select(Operator.id).where(Operator.initials == "AB")).one()
    client.post("/person", data={"who": str(who), "back": "/"})
    return client


def test_a_search_is_kept_listed_and_opened_again(lab: TestClient, database: Database) -> None:
    """Its link leads to the same search; who kept it stands beside it; it is one deed in the audit."""
    with database.reading() as session:
        before = session.scalar(select(func.count()).select_from(AuditEntry))
    answer = send(lab, NEW, name="<First> wafer")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/recipes?kind=microtoroid&wafers=W001&saved=1"
    shown = lab.get("/recipes")
    assert "/recipes?kind=microtoroid&amp;wafers=W001" in shown.text
    assert "&lt;First&gt; wafer" in shown.text
    assert "wafer" not in words(lab.get("/yield").text).partition("Saved searches")[2][:40]
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(AuditEntry)) == (before or 0) + 1


def test_renaming_and_retiring(lab: TestClient, database: Database) -> None:
    """Its new name stands everywhere; retired, it leaves the page's list but not the list of all."""
    send(lab, NEW, name="Ours")
    with database.reading() as session:
        (row,) = saved_searches(session)
    assert send(lab, row.change, name="All of ours").status_code == 303
    assert "All of ours" in lab.get("/recipes").text
    form = fields_of(lab.get(row.change).text)
    assert form["name"] == "All of ours"
    left = {name: value for name, value in form.items() if name != "active"}
    assert lab.post(row.change, data=left).status_code == 303
    assert "All of ours" not in lab.get("/recipes").text
    assert "All of ours" in lab.get("/searches").text
    assert "no longer listed" in words(lab.get("/searches").text)


def test_a_name_is_taken_once_a_page(lab: TestClient, database: Database) -> None:
    """Whatever its case; the other page may use it; what was typed stays."""
    send(lab, NEW, name="Ours")
    again = send(lab, NEW, name="OURS")
    assert again.status_code == 409
    assert "is the name of another saved search" in again.text
    assert 'value="OURS"' in again.text
    assert send(lab, "/searches/new?page=yield&query=", name="Ours").status_code == 303
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(SavedSearch)) == 2


@pytest.mark.parametrize("path", ["/searches/new?page=lab&query=", "/searches/999"])
def test_what_is_no_search_is_told(lab: TestClient, path: str) -> None:
    """Only Recipes and Yield have searches to keep."""
    assert lab.get(path).status_code == 404
    assert "search" in lab.get(path).text.lower()


def test_an_empty_list_says_how_to_begin(client: TestClient) -> None:
    """No search yet is no error."""
    answer = client.get("/searches")
    assert answer.status_code == 200
    assert "No search is saved yet." in answer.text
