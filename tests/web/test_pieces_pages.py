"""Pages of pieces: registering, looking at, taking in hand; what a bad form answers and keeps."""

from __future__ import annotations

import re
from html import unescape

import pytest
from sqlalchemy import func, select
from starlette.testclient import TestClient

from app.actions.pieces import register_wafer
from app.db.models.material import Device, Piece
from app.db.session import Database
from app.schemas.pieces import WaferIn
from tests.pieces_lab import bare_wafer, deed, expose, fibre, inspect, person, shoot, step, take, wafer

KEY = "k" * 32


@pytest.fixture
def lab(database: Database, client: TestClient) -> Database:
    """A lab with AB, who is logging at this machine."""
    client.cookies.set("marver_person", f"{person(database)}.1790000000")
    return database


def pieces(database: Database) -> list[str]:
    """Codes of all pieces."""
    with database.reading() as session:
        return list(session.scalars(select(Piece.code).order_by(Piece.code)))


def devices(database: Database) -> list[str]:
    """Codes of all devices."""
    with database.reading() as session:
        return list(session.scalars(select(Device.code).order_by(Device.code)))


def text_of(html: str) -> str:
    """A page's words without its tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


# --- registering -----------------------------------------------------------------------------------------------


def test_a_wafer_is_registered_and_its_page_says_what_it_is(client: TestClient, lab: Database) -> None:
    """Decimal commas and units behind the value are understood; the page shows the mean of the points."""
    form = {
        "code": "w021", "diameter_mm": "10 cm", "oxide_um": "2,0 µm", "points_um": "2,02 2.04 2060 nm",
        "oxide_grown": "wet", "resistivity_ohm_cm": "10", "shape": "quarter", "_key": KEY,
    }  # fmt: skip
    response = client.post("/wafers/new", data=form)
    assert response.status_code == 303
    page = client.get(response.headers["location"])
    words = text_of(page.text)
    assert page.status_code == 200
    assert "W021" in words
    assert "100.0 mm" in words.replace("\u00a0", " ")
    assert "2.040 µm" in words.replace("\u00a0", " ")
    assert "Log lithography" in words


def test_the_same_wafer_form_twice_is_one_wafer(client: TestClient, lab: Database) -> None:
    """A double click, and back and again, answer as the first time; other content under the key is told so."""
    form = {"code": "W021", "_key": KEY}
    first, second = client.post("/wafers/new", data=form), client.post("/wafers/new", data=form)
    assert first.headers["location"] == second.headers["location"]
    changed = client.post("/wafers/new", data={**form, "code": "W022"})
    assert changed.status_code == 409
    assert "already saved" in changed.text
    assert pieces(lab) == ["W021"]


@pytest.mark.parametrize(
    ("field", "typed", "says"),
    [
        ("code", "W 21", "cannot be a code"),
        ("code", "WÄ21", "cannot be a code"),
        ("code", "w001", "already in use"),
        ("code", "", "is missing"),
        ("diameter_mm", "-100", "cannot be"),
        ("diameter_mm", "100 Torr", "not one of its units"),
        ("oxide_um", "two", "is not a number"),
        ("points_um", "2.0 x", "is not"),
        ("lot_id", "77", "not one of the choices"),
    ],
)
def test_a_bad_wafer_field_is_told_and_everything_typed_is_kept(
    client: TestClient, lab: Database, field: str, typed: str, says: str
) -> None:
    """The message names what is wrong; the other fields stand as they were typed; nothing is saved."""
    bare_wafer(lab, "W001")
    form = {"code": "W055", "dopant": "boron, 10 Ω·cm", "note": "from the old box", "_key": KEY, field: typed}
    response = client.post("/wafers/new", data=form)
    assert response.status_code in (409, 422)
    assert says in response.text
    assert "boron, 10 Ω·cm" in response.text
    assert "from the old box" in response.text
    assert f'value="{KEY}"' in response.text
    assert pieces(lab) == ["W001"]


def test_an_unusual_size_is_asked_about_once(client: TestClient, lab: Database) -> None:
    """A 9 µm oxide is asked about and kept when somebody says so, with the same key."""
    form = {"code": "W021", "oxide_um": "9", "_key": KEY}
    asked = client.post("/wafers/new", data=form)
    assert asked.status_code == 422
    assert "is unusual here" in asked.text
    assert client.post("/wafers/new", data={**form, "_keep": "oxide_um"}).status_code == 303


def test_nobody_logging_saves_nothing_and_says_so(client: TestClient, database: Database) -> None:
    """Without a person the form comes back whole, with what to do."""
    person(database)
    response = client.post("/wafers/new", data={"code": "W021", "dopant": "boron", "_key": KEY})
    assert response.status_code == 409
    assert "Nobody is logging" in response.text
    assert "boron" in response.text
    assert pieces(database) == []


def test_fibre_ends_are_registered_by_number(client: TestClient, lab: Database) -> None:
    """Ends are counted from 1 to 999, in figures."""
    for bad in ("0", "-3", "many", "1000"):
        refused = client.post("/fibres/new", data={"code": "F031", "ends": bad, "_key": KEY})
        assert refused.status_code == 409
        assert "number of ends" in refused.text
    response = client.post("/fibres/new", data={"code": "F031", "ends": "12", "_key": KEY})
    assert response.headers["location"].startswith("/fibres/F031")
    assert "12 ends" in text_of(client.get("/fibres/F031").text)


# --- looking ---------------------------------------------------------------------------------------------------


@pytest.fixture
def finished(lab: Database) -> int:
    """A wafer with six discs, shot and seen."""
    piece = wafer(lab, "W001")
    for at, kind in enumerate(("oxide_etch", "resist_strip", "undercut"), 2):
        step(lab, kind, piece, at)
    six = take(lab, piece, [(1, c) for c in range(1, 6)] + [(2, 1)], at=6)
    shoot(lab, six[:4], at=7)
    inspect(lab, piece, "reflowed", {six[0]: "good", six[1]: "usable", six[2]: "reject"}, at=8, outer_um=66.5)
    return piece


@pytest.mark.parametrize(
    "show", ["", "stage", "verdict", "q_best", "pillar_ratio", "outer_um", "reflow_shots", "nonsense"]
)
def test_the_map_shows_any_quantity(client: TestClient, finished: int, show: str) -> None:
    """Every site is a link with a full name: devices to their page, bare sites to taking them in hand."""
    page = client.get("/wafers/W001", params={"show": show})
    assert page.status_code == 200
    assert page.text.count('<a class="site') == 20
    assert 'href="/wafers/W001/take?sites=1-0405"' in page.text
    assert "<title>W001-1-0405, not in hand</title>" in page.text
    assert "<title>W001-1-0101, " in page.text
    assert "style=" not in page.text
    assert "<script>" not in page.text


def test_stages_verdicts_and_values_stand_in_words_too(client: TestClient, finished: int) -> None:
    """Colour is never alone: names, figures and counts say the same."""
    stage = text_of(client.get("/wafers/W001?show=stage").text)
    verdict = client.get("/wafers/W001?show=verdict").text
    outer = client.get("/wafers/W001?show=outer_um").text
    assert "Reflowed: failed" in stage
    assert "W001-1-0102, usable" in verdict
    assert "outer diameter 66.5" in outer.replace("\u00a0", " ")


def test_addresses_lead_to_the_pieces_own_page(client: TestClient, lab: Database) -> None:
    """Small letters, another kind and /pieces lead on; an unknown code is said, not a blank."""
    bare_wafer(lab, "W001")
    for path in ("/wafers/w001", "/chips/W001", "/fibres/w001", "/pieces/w001"):
        assert client.get(path).headers["location"] == "/wafers/W001"
    missing = client.get("/wafers/W404")
    assert missing.status_code == 404
    assert "No piece is called W404" in missing.text


def test_a_lab_page_stands_without_any_record(client: TestClient, lab: Database) -> None:
    """A bare wafer and an untouched fibre batch say what to do first."""
    bare_wafer(lab, "W001")
    fibre(lab, "F001")
    assert "No discs on it yet" in client.get("/wafers/W001").text
    assert "No fibre end is in hand yet" in client.get("/fibres/F001").text


# --- taking in hand --------------------------------------------------------------------------------------------


def test_sites_are_taken_by_tick_row_and_words(client: TestClient, lab: Database) -> None:
    """A tick, a row's button and typed words together, each site once; the answer is the map."""
    wafer(lab, "W001")
    form = {
        "site": ["1-0101", "1-0405"],
        "row": "1-2",
        "sites_1": "0101, column 5",
        "purpose": "test",
        "done_at": "now",
    }
    response = client.post("/wafers/W001/take", data={**form, "_key": KEY})
    assert response.status_code == 303
    places = {code.rsplit("-", 1)[1] for code in devices(lab)}
    assert places == {"0101", "0405", "0201", "0202", "0203", "0204", "0205", "0105", "0305"}
    assert "devices now" in client.get(response.headers["location"]).text


def test_taking_the_same_form_twice_takes_once(client: TestClient, lab: Database) -> None:
    """Same key, same answer; a new form for sites in hand says there was nothing to save."""
    wafer(lab, "W001")
    form = {"site": "1-0101", "purpose": "candidate", "done_at": "now"}
    first = client.post("/wafers/W001/take", data={**form, "_key": KEY})
    assert client.post("/wafers/W001/take", data={**form, "_key": KEY}).headers["location"] == first.headers["location"]
    again = client.post("/wafers/W001/take", data={**form, "_key": "n" * 32})
    assert "nothing-new" in again.headers["location"]
    assert "in hand already" in client.get(again.headers["location"]).text
    assert devices(lab) == ["W001-1-0101"]


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"sites_1": "row 9"}, "reaches outside"),
        ({"sites_1": "3.5"}, "is not a site"),
        ({}, "Choose at least one site"),
        ({"site": "1-0505"}, "Row 5, column 5 is not on W001"),
        ({"site": "7-0101"}, "holds no exposure 7"),
        ({"site": "1-0101", "purpose": "toy"}, "not one of the choices"),
        ({"site": "1-0101", "done_at": "in a while"}, "is not understood"),
        ({"site": "1-0101", "done_at": "2099-01-01"}, "future"),
    ],
)
def test_a_bad_choice_of_sites_keeps_the_ticks(
    client: TestClient, lab: Database, form: dict[str, str], says: str
) -> None:
    """What is wrong is said, other ticks stay, nothing is taken."""
    wafer(lab, "W001")
    sent = {"purpose": "candidate", "done_at": "now", **form, "_key": KEY}
    sent["site"] = [*([form["site"]] if "site" in form else []), *(["1-0203"] if form else [])]  # type: ignore[assignment]
    response = client.post("/wafers/W001/take", data=sent)
    assert response.status_code in (409, 422)
    assert says in text_of(response.text)
    if form:
        assert 'value="1-0203" aria-label="1-0203" checked' in response.text
    assert devices(lab) == []


def test_fibre_ends_are_taken_by_tick_and_words(client: TestClient, lab: Database) -> None:
    """Ends 1, 3 and 4 to 5; an end that is not there is refused."""
    fibre(lab, "F001", ends=6)
    assert "F001-06" in client.get("/fibres/F001/take").text
    sent = {"end": "1", "ends_words": "3, 4-5", "purpose": "candidate", "done_at": "now", "_key": KEY}
    assert client.post("/fibres/F001/take", data=sent).status_code == 303
    assert devices(lab) == ["F001-01", "F001-03", "F001-04", "F001-05"]
    wrong = client.post("/fibres/F001/take", data={**sent, "ends_words": "9", "_key": "n" * 32})
    assert "no end 9" in wrong.text
    backwards = client.post("/fibres/F001/take", data={**sent, "ends_words": "5-3", "_key": "m" * 32})
    assert "is not an end" in backwards.text


def test_an_unknown_piece_cannot_be_taken_from(client: TestClient, lab: Database) -> None:
    """404, in words; a piece under another kind's address leads on."""
    wafer(lab, "W001")
    assert client.get("/wafers/W404/take").status_code == 404
    assert client.post("/wafers/W404/take", data={}).status_code == 404
    assert client.get("/chips/w001/take").headers["location"] == "/wafers/W001/take"


def test_a_whole_array_of_four_hundred_is_taken_and_drawn(client: TestClient, lab: Database) -> None:
    """20 × 20 sites by one word; the page draws every one."""
    piece = bare_wafer(lab, "W001")
    expose(lab, piece, 20, 20)
    sent = {"sites_1": "all", "purpose": "candidate", "done_at": "now", "_key": KEY}
    assert client.post("/wafers/W001/take", data=sent).status_code == 303
    with lab.reading() as session:
        assert session.scalar(select(func.count()).select_from(Device)) == 400
    assert client.get("/wafers/W001").text.count('<a class="site') == 400


# --- where it is, ending ---------------------------------------------------------------------------------------


def test_a_long_table_of_devices_is_folded_with_a_way_to_all(client: TestClient, lab: Database) -> None:
    """Forty rows and how many there are; the link gives every one, in the order chosen."""
    piece = bare_wafer(lab, "W001")
    expose(lab, piece, 6, 10)
    take(lab, piece, [(row, column) for row in range(1, 7) for column in range(1, 11)])
    page = client.get("/wafers/W001?order=code").text
    assert page.count('<th scope="row">') == 40
    (way,) = re.findall(r'<a href="(/wafers/W001[?][^"]*all=1#devices)">All 60</a>', page)
    assert client.get(unescape(way)).text.count('<th scope="row">') == 60


def test_sites_taken_for_several_purposes_are_summed_up_in_the_timeline(client: TestClient, lab: Database) -> None:
    """One line with how many for what; which sites they were is folded behind it."""
    piece = bare_wafer(lab, "W001")
    expose(lab, piece, 2, 4)
    take(lab, piece, [(1, 1), (1, 2)])
    take(lab, piece, [(2, 1)], purpose="monitor")
    take(lab, piece, [(2, 2)])
    words = text_of(client.get("/wafers/W001").text)
    assert "3 as candidate, 1 as monitor" in words
    assert "Which sites" in words


def test_lending_and_ending_by_their_forms(client: TestClient, lab: Database) -> None:
    """Two wafers lent together are one record; an unknown code, a missing name and a second end are told."""
    bare_wafer(lab, "W001")
    bare_wafer(lab, "W002")
    assert 'value="W001, W002"' in client.get("/log/whereabouts?pieces=w001,W002").text
    form = {"pieces": "W001, w002", "state": "lent", "place": "Optics, TU", "until": "2099-01-01", "done_at": "now"}
    assert "No piece is called W009" in client.post("/log/whereabouts", data={**form, "pieces": "W009"}).text
    assert "to whom" in client.post("/log/whereabouts", data={**form, "place": ""}).text
    assert client.post("/log/whereabouts", data={**form, "_key": KEY}).status_code == 303
    assert "Optics, TU" in client.get("/").text
    end = {"pieces": "W001", "reason": "superseded by W002", "done_at": "now"}
    assert "its own reason" in client.post("/log/ending", data={**end, "pieces": "W001 W002"}).text
    assert client.post("/log/ending", data=end).status_code == 303
    assert "was ended" in text_of(client.get("/wafers/W001").text)
    assert client.post("/log/ending", data=end).status_code == 409


def test_notes_and_codes_are_never_markup(client: TestClient, lab: Database) -> None:
    """What a person wrote is shown as written."""
    with deed(lab, at=1) as writing:
        register_wafer(writing, WaferIn(code="W001", note="<script>alert(1)</script>"))
    page = client.get("/wafers/W001").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_a_label_holds_the_code_alone(client: TestClient, lab: Database) -> None:
    """A QR picture for what exists, whatever the case it was asked in; nothing for what does not."""
    bare_wafer(lab, "W001")
    label = client.get("/labels/w001.svg")
    assert label.headers["content-type"].startswith("image/svg+xml")
    assert label.text == client.get("/labels/W001.svg").text
    assert "style" not in label.text
    assert client.get("/labels/W404.svg").status_code == 404
    assert 'src="/labels/W001.svg"' in client.get("/wafers/W001").text
