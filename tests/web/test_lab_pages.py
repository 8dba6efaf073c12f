"""Pages of the lab: they work, keep what was typed when they cannot, and save the same form once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select, text

from app.db.models.audit import AuditEntry
from tests.db.small_lab import with_person, with_tool
from tests.web.forms_filled import fields_of, send

if TYPE_CHECKING:
    from starlette.testclient import TestClient

    from app.db.session import Database

PAGES = ("", "/people", "/tools", "/lots", "/masks", "/recipes", "/specifications", "/settings")
FORMS = (
    "/people/new",
    "/tools/new",
    "/tools/new?kind=probe_laser",
    "/lots/new?kind=fibre_spool",
    "/masks/new",
    "/recipes/new?step=undercut",
    "/recipes/new?step=reflow",
    "/specifications/new",
    "/settings/change",
    "/settings/ranges/xef2_torr",
)
ARRAY = {"r0-rows": "8", "r0-columns": "20", "r0-disc_um": "104", "r0-pitch_x_um": "600", "r0-pitch_y_um": "2400"}


@pytest.fixture
def lab(client: TestClient, database: Database) -> TestClient:
    """A client at whose machine the lead is logging."""
    client.post("/person", data={"who": str(with_person(database)), "back": "/"})
    return client


def deeds(database: Database) -> int:
    """How many deeds the lab has."""
    with database.reading() as session:
        return session.scalar(select(func.count()).select_from(AuditEntry)) or 0


@pytest.mark.parametrize("path", PAGES)
def test_every_page_says_what_to_do_in_an_empty_lab(client: TestClient, path: str) -> None:
    """Nothing there yet is no error."""
    page = client.get(f"/lab{path}")
    assert page.status_code == 200
    assert "yet" in page.text


@pytest.mark.parametrize("path", FORMS)
def test_every_form_opens_and_names_its_fields(lab: TestClient, path: str) -> None:
    """Each input has a label or an accessible name, and nothing is prefilled that was not declared."""
    page = lab.get(f"/lab{path}")
    assert page.status_code == 200
    fields = [name for name in fields_of(page.text) if not name.startswith("_") and name != "step_kind"]
    assert fields
    for name in fields:
        assert f'for="f-{name}"' in page.text or f'id="f-{name}"' in page.text


@pytest.mark.parametrize(
    "path",
    [
        "/lab/people/7",
        "/lab/tools/NONE",
        "/lab/tools/NONE/change",
        "/lab/tools/NONE/events/new",
        "/lab/lots/NONE",
        "/lab/masks/NONE",
        "/lab/recipes/7",
        "/lab/recipes/7/versions/new",
        "/lab/specifications/7",
        "/lab/settings/ranges/nothing",
    ],
)
def test_what_is_not_there_is_told(lab: TestClient, path: str) -> None:
    """A page that says so, also for saving."""
    assert lab.get(path).status_code == 404
    if not path.endswith("NONE") and not path.endswith("recipes/7"):
        assert lab.post(path, data={"_key": "some-key-0001"}).status_code == 404


def test_the_same_form_twice_is_saved_once(lab: TestClient, database: Database) -> None:
    """A double click goes to the same page; the back button and other words are told."""
    form = {**fields_of(lab.get("/lab/tools/new?kind=hood").text), "code": "HOOD", "name": "Acid hood"}
    first, second = (lab.post("/lab/tools/new", data=form) for _ in range(2))
    assert first.headers["location"] == second.headers["location"] == "/lab/tools/HOOD?saved=1"
    assert deeds(database) == 2
    other = lab.post("/lab/tools/new", data={**form, "code": "HOOD-2"})
    assert other.status_code == 409
    assert "already saved with other content" in other.text
    again = fields_of(other.text)
    assert again["_key"] != form["_key"], "saved again, it is saved as new"
    assert lab.post("/lab/tools/new", data=again).headers["location"] == "/lab/tools/HOOD-2?saved=1"


@pytest.mark.parametrize(
    ("path", "typed", "why", "kept"),
    [
        ("/lab/tools/new?kind=hood", {"code": "CO2", "name": "Hood"}, "CO2 is already in use", 'value="Hood"'),
        ("/lab/tools/new?kind=hood", {"code": "co2", "name": "Hood"}, "CO2 is already in use", 'value="Hood"'),
        ("/lab/tools/new?kind=hood", {"code": "HO OD", "name": "Hood"}, "cannot be a code", 'value="HO OD"'),
        ("/lab/tools/new?kind=hood", {"code": "HÖD", "name": "Hood"}, "cannot be a code", 'value="HÖD"'),
        ("/lab/tools/new?kind=hood", {"code": "HOOD", "name": ""}, "Name is missing", 'value="HOOD"'),
        ("/lab/tools/new?kind=hood", {"code": "HOOD", "name": "H" * 200}, "At most 120 characters", "HHHH"),
        (
            "/lab/tools/new?kind=probe_laser",
            {"code": "P", "name": "Probe", "linewidth_mhz": "-50 kHz"},
            "Linewidth −0.050",
            'value="-50 kHz"',
        ),
        (
            "/lab/lots/new?kind=fibre_spool",
            {"code": "S", "cladding_um": "125 W"},
            "is not one of its units",
            'value="125 W"',
        ),
        ("/lab/lots/new?kind=resist", {"code": "R", "opened_at": "once"}, "“once” is not understood", 'value="once"'),
        ("/lab/masks/new", {**ARRAY, "code": "M 1"}, "cannot be a code", 'value="2400"'),
        ("/lab/masks/new", {**ARRAY, "code": "M", "r0-pitch_x_um": "104"}, "would touch at this pitch", 'value="104"'),
        ("/lab/masks/new", {**ARRAY, "code": "M", "r0-ladder_um": "80,90,100"}, "separated by semicolons", "80,90,100"),
        ("/lab/masks/new", {**ARRAY, "code": "M", "r0-rows": "8,5"}, "a whole number from 1", 'value="8,5"'),
        ("/lab/recipes/new?step=oxide_etch", {"name": "E", "etch_s": "-3 min"}, "cannot be", 'value="-3 min"'),
        ("/lab/recipes/new?step=oxide_etch", {"name": "E"}, "plans nothing yet", 'value="E"'),
        (
            "/lab/recipes/new?step=reflow",
            {"name": "R", "dialled": "30"},
            "Say in what the laser is dialled",
            'value="30"',
        ),
        (
            "/lab/specifications/new",
            {"name": "S", "kind": "microtoroid", "q_intrinsic_min": "good"},
            "is not a number",
            'value="good"',
        ),
        ("/lab/settings/change", {"name": "L", "zone": "Wien", "stalled_days": "60"}, "No time zone", 'value="Wien"'),
        ("/lab/settings/ranges/xef2_torr", {"low": "3", "high": "2"}, "must be below", 'value="3"'),
        ("/lab/settings/ranges/xef2_torr", {"low": "-1", "high": ""}, "cannot be", 'value="-1"'),
    ],
)
def test_what_cannot_be_saved_is_told_and_kept(
    lab: TestClient, database: Database, path: str, typed: dict[str, str], why: str, kept: str
) -> None:
    """Where and why, with everything typed; nothing is saved and nothing half-saved."""
    with_tool(database, 1)
    before = deeds(database)
    refused = send(lab, path, **typed)
    assert refused.status_code in (409, 422)
    assert why in refused.text
    assert kept in refused.text
    assert deeds(database) == before


def test_decimal_commas_and_units_are_understood(lab: TestClient, database: Database) -> None:
    """What was understood is kept in the declared unit."""
    send(lab, "/lab/lots/new?kind=fibre_spool", code="SPOOL-1", cladding_um="125", coating_um="0,25 mm")
    page = lab.get("/lab/lots/SPOOL-1").text
    assert "250\u00a0µm" in page
    send(lab, "/lab/recipes/new?step=oxide_etch", name="Etch", etch_s="20 min", bath_c="22,5")
    page = lab.get("/lab/recipes/1").text
    assert "1\u202f200\u00a0s" in page
    assert "22.5\u00a0°C" in page


def test_a_laser_is_calibrated_and_taken_back(lab: TestClient, database: Database) -> None:
    """The value holds until its day; taken back, it stays readable and holds no more."""
    with_tool(database, 1)
    form = {"what": "w_per_dial", "value": "420 mW/%", "valid_until": "2099-01-31"}
    assert send(lab, "/lab/tools/CO2/events/new?kind=calibration", **form).status_code == 303
    page = lab.get("/lab/tools/CO2").text
    assert "Power at the sample per dialled unit: 0.42\u00a0W/%" in page
    assert "Calibrations that hold" in page
    hidden = {name: value for name, value in fields_of(page).items() if name.startswith("_")}
    assert lab.post("/lab/tools/CO2/events/1/void", data={**hidden, "reason": "mistyped"}).status_code == 303
    page = lab.get("/lab/tools/CO2").text
    assert "taken back: Mistyped" in page
    assert "Calibrations that hold" not in page
    assert lab.post("/lab/tools/CO2/events/9/void", data=hidden).status_code == 404


def test_two_people_at_one_record_see_both_versions(lab: TestClient, database: Database) -> None:
    """The second is shown what was saved meanwhile; sending again keeps theirs knowingly."""
    with_tool(database, 1)
    opened = fields_of(lab.get("/lab/tools/CO2/change").text)
    send(lab, "/lab/tools/CO2/change", name="Laser, left", place="Bay 2")
    second = lab.post("/lab/tools/CO2/change", data={**opened, "name": "Laser, right"})
    assert second.status_code == 409
    assert "Somebody else saved this while you were typing" in second.text
    assert "Name: yours Laser, right, saved meanwhile Laser, left." in second.text
    assert "Place: yours nothing, saved meanwhile Bay 2." in second.text
    kept = lab.post("/lab/tools/CO2/change", data=fields_of(second.text))
    assert kept.status_code == 303
    assert "Laser, right" in lab.get("/lab/tools/CO2").text


def test_a_mask_is_drawn_to_scale(lab: TestClient) -> None:
    """The plate, each array's box, and discs with the diameters and spacing they have."""
    ladder = {"r1-rows": "3", "r1-columns": "2", "r1-ladder_um": "80; 90,5; 100 µm", "r1-pitch_x_um": "640"}
    made = send(lab, "/lab/masks/new", code="row-1", plate_mm="102", edge_margin_mm="5", **ARRAY, **ladder)
    assert made.headers["location"] == "/lab/masks/ROW-1?saved=1"
    page = lab.get("/lab/masks/ROW-1").text
    assert 'class="plate" x="-51000.0" y="-51000.0" width="102000.0" height="102000.0"' in page
    assert page.count('class="array"') == 2
    assert 'r="45.25"' in page
    assert "80.0; 90.5; 100.0 µm, row by row" in page
    assert lab.get("/lab/masks/row-1").headers["location"] == "/lab/masks/ROW-1"


def test_more_rows_keep_what_was_typed(lab: TestClient, database: Database) -> None:
    """Asking for rows saves nothing and complains of nothing yet."""
    before = deeds(database)
    page = send(lab, "/lab/masks/new", code="ROW-1", more="1", **{**ARRAY, "r0-rows": "x"})
    assert page.status_code == 200
    assert 'value="ROW-1"' in page.text
    assert 'name="r5-rows"' in page.text
    assert "Not saved" not in page.text
    assert deeds(database) == before


def test_a_recipe_grows_by_versions(lab: TestClient, database: Database) -> None:
    """From the declaration: rows, what is unusual confirmed, what changed said, two versions compared."""
    rows = {"r0-cycles": "26", "r0-cycle_s": "30", "r0-xef2_torr": "9"}
    asked = send(lab, "/lab/recipes/new?step=undercut", name="Pillar", **rows)
    assert asked.status_code == 409
    assert "XeF₂ pressure 9.00\u00a0Torr is unusual here" in asked.text
    assert "XeF₂ makes HF with moisture." in asked.text, "the caution stands above the form"
    form = {**fields_of(asked.text), "_keep": "0:xef2_torr"}
    assert lab.post("/lab/recipes/new", data=form).headers["location"] == "/lab/recipes/1?saved=1"
    silent = send(lab, "/lab/recipes/1/versions/new", **{"r0-xef2_torr": "3"})
    assert "What changed, and why is missing" in silent.text
    made = send(lab, "/lab/recipes/1/versions/new", changed="Less: the pillar broke", **{"r0-xef2_torr": "3"})
    assert made.status_code == 303
    page = lab.get("/lab/recipes/1?before=1&after=2").text
    assert "Less: the pillar broke" in page
    assert "Segment 1: XeF₂ pressure" in page
    mended = send(lab, "/lab/recipes/1/versions/2/mend", **{"r0-xef2_torr": "3,5"})
    assert mended.status_code == 303
    with database.engine.begin() as connection:
        connection.execute(
            text("INSERT INTO event (kind, done_at, logged_at, recipe_version_id, unknown, sources, version)"
                 " VALUES ('event', '2026-01-01', '2026-01-01', 2, FALSE, '{}', 1)")
        )  # fmt: skip
    frozen = lab.get("/lab/recipes/1/versions/2/mend")
    assert frozen.status_code == 409
    assert "Version 2 is frozen" in frozen.text


def test_two_people_making_the_next_version_are_told(lab: TestClient) -> None:
    """The second sees what the first changed; sending again makes the version after it."""
    send(lab, "/lab/recipes/new?step=oxide_etch", name="Etch", etch_s="1200")
    opened = fields_of(lab.get("/lab/recipes/1/versions/new").text)
    send(lab, "/lab/recipes/1/versions/new", etch_s="1300", changed="Longer")
    second = lab.post("/lab/recipes/1/versions/new", data={**opened, "etch_s": "1400", "changed": "Much longer"})
    assert second.status_code == 409
    assert "Somebody else made version 2 while you were typing" in second.text
    third = lab.post("/lab/recipes/1/versions/new", data=fields_of(second.text))
    assert third.status_code == 303
    assert "Version 3" in lab.get("/lab/recipes/1").text


def test_a_specification_grows_by_versions(lab: TestClient) -> None:
    """The versions before stand under it."""
    send(lab, "/lab/specifications/new", name="Sensor", kind="microtoroid", q_intrinsic_min="2 × 10⁸", medium="air")
    send(lab, "/lab/specifications/1/versions/new", q_intrinsic_min="3e8")
    page = lab.get("/lab/specifications").text
    assert "intrinsic Q at least 3.0 × 10⁸, in any band, in air" in page
    assert "intrinsic Q at least 2.0 × 10⁸" in page


def test_what_is_plausible_here_is_asked_by(lab: TestClient) -> None:
    """A lead widens a range, and a recipe is no longer asked about a value within it."""
    send(lab, "/lab/settings/ranges/xef2_torr", low="0,5 Torr", high="10")
    assert "0.5\u00a0Torr to 10\u00a0Torr" in lab.get("/lab/settings").text
    rows = {"r0-cycles": "26", "r0-cycle_s": "30", "r0-xef2_torr": "9"}
    assert send(lab, "/lab/recipes/new?step=undercut", name="Pillar", **rows).status_code == 303


def test_what_people_type_is_text(lab: TestClient) -> None:
    """Markup in a name is shown as typed, wherever it comes up."""
    name = "<b>Laser</b> & {{ 7 * 7 }}"
    send(lab, "/lab/tools/new?kind=co2_laser", code="CO2", name=name, note="<script>alert(1)</script>")
    for path in ("/lab/tools", "/lab/tools/CO2", "/lab/tools/CO2/change"):
        page = lab.get(path).text
        assert "&lt;b&gt;Laser&lt;/b&gt; &amp; {{ 7 * 7 }}" in page
        assert "<script>alert" not in page
