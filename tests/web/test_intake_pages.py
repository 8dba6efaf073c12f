"""Many scan files at once and Measuring now, as a person uses them without scripts."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import func, select

from app.db.models.seen import Resonance, ResonanceFit, Scan
from app.queries.intake import measuring_now
from tests.simulated_scans import Made, make_devices, scan_file

if TYPE_CHECKING:
    from starlette.testclient import TestClient

    from app.db.session import Database

BASE = {
    "done_at": "now",
    "medium": "air",
    "picked": "all",
    "pattern": "{device}_{mode}.csv",
    "wavelength_nm": "1550",
    "tuning_sigma": "1 %",
    "_operator": "1",
    "_key": "0123456789abcdef",
}


@pytest.fixture
def lab(client: TestClient, database: Database) -> TestClient:
    """A client of a lab with devices W001-1-0101 and W001-1-0102."""
    make_devices(database)
    return client


def send(lab: TestClient, names: list[str], **typed: str) -> Any:
    files = [("files", (name, scan_file(Made(seed=i)), "text/csv")) for i, name in enumerate(names)]
    return lab.post("/scans/many", data={**BASE, "step": "look", **typed}, files=files)


def held(page: str) -> dict[str, Any]:
    return {
        "held": [unescape(each) for each in re.findall(r'name="held" value="([^"]*)"', page)],
        "seen": re.search(r'name="seen" value="([^"]*)"', page)[1],
    }


def count(database: Database, model: type) -> int:
    with database.reading() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


def test_files_are_shown_before_they_are_kept_and_then_kept_together(lab: TestClient, database: Database) -> None:
    """Two fit their pattern, one names no device: it is refused with its reason, two are kept and accepted."""
    shown = send(lab, ["W001-1-0101_m1.csv", "W001-1-0102_m1.csv", "new3.csv"], accept="yes")
    assert shown.status_code == 200, shown.text
    assert "2 of 3 can be kept" in shown.text
    assert "No device of this lab is named in" in shown.text
    assert count(database, Scan) == 0
    kept = lab.post("/scans/many", data={**BASE, "accept": "yes", "step": "keep", **held(shown.text)})
    assert kept.headers["location"] == "/scans/many?kept=2"
    assert "2 scans kept." in lab.get(kept.headers["location"]).text
    assert count(database, Scan) == 2
    with database.reading() as session:
        assert session.scalars(select(Resonance.label)).all() == ["m1", "m1"]
        assert session.scalars(select(ResonanceFit.state)).all() == ["accepted", "accepted"]
    lab.post("/scans/many", data={**BASE, "accept": "yes", "step": "keep", **held(shown.text)})
    assert count(database, Scan) == 2


def test_what_was_changed_since_it_was_looked_at_is_shown_again(lab: TestClient, database: Database) -> None:
    """Another wavelength is another fit: nothing is kept unseen."""
    shown = send(lab, ["W001-1-0101_m1.csv"])
    again = lab.post("/scans/many", data={**BASE, "wavelength_nm": "780", "step": "keep", **held(shown.text)})
    assert "Something was changed since you looked." in again.text
    assert count(database, Scan) == 0


@pytest.mark.parametrize(
    ("typed", "names", "says"),
    [
        ({"pattern": "{what}.csv"}, ["W001-1-0101_m1.csv"], "There is no placeholder {what}"),
        ({"device": "W999"}, ["W001-1-0101_m1.csv"], "There is no device W999."),
        ({}, [], "Choose the scans’ files."),
        ({"_operator": ""}, ["W001-1-0101_m1.csv"], "Nobody is logging"),
    ],
)
def test_what_cannot_be_is_told_in_place(lab: TestClient, typed, names, says) -> None:
    """What was typed stays on the form."""
    refused = send(lab, names, **typed)
    assert refused.status_code in (409, 422)
    assert says in unescape(refused.text)
    assert "1550" in refused.text


def test_the_bench_says_what_it_measures_and_that_it_stops(lab: TestClient, database: Database) -> None:
    """Device and mode with how the files are read; a code that is none is refused; blank ends it."""
    typed = {"device": "w001-1-0102", "mode": "TE1", "medium": "air", "picked": "all", "_operator": "1"}
    said = lab.post(
        "/scans/now",
        data={**typed, "wavelength_nm": "1550", "input_power_uw": "5", "taper_position_um": "1.5", "_key": "1" * 16},
    )
    assert said.status_code == 303, said.text
    assert "Measuring now: W001-1-0102, TE1" in lab.get(said.headers["location"]).text
    with database.reading() as session:
        now = measuring_now(session)
    assert (now.device, now.mode, now.operator_id) == ("W001-1-0102", "TE1", 1)
    assert now.common["reading"]["wavelength_nm"] == 1550
    assert (now.common["input_power_uw"], now.common["taper_position_um"]) == (5, 1.5)
    strange = lab.post("/scans/now", data={**typed, "device": "W999", "_key": "2" * 16})
    assert "There is no device W999." in strange.text
    lab.post("/scans/now", data={**typed, "device": "", "_key": "3" * 16})
    with database.reading() as session:
        assert measuring_now(session) is None
