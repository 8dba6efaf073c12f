"""The first steps through an empty lab, and who is logging at a machine."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from tests.db.small_lab import with_person, with_tool
from tests.web.forms_filled import send

if TYPE_CHECKING:
    from starlette.testclient import TestClient

    from app.db.session import Database
    from app.settings import Settings

MASK = {"code": "ROW-1", "r0-rows": "8", "r0-columns": "20", "r0-disc_um": "104", "r0-pitch_x_um": "600"}


def steps(page: str) -> list[str]:
    """Which of the first steps are done, next or open."""
    return re.findall(r'<li class="(done|now|open)">', page)


def test_an_empty_lab_is_walked_through_step_by_step(client: TestClient) -> None:
    """Each step is ticked off by what exists; it can be left and taken up again."""
    assert steps(client.get("/start").text) == ["now", "open", "open", "open", "open"]
    you = send(client, "/lab/people/new?next=/start", initials="ab", name="Ada Birch", role="lead")
    assert (you.status_code, you.headers["location"]) == (303, "/start?saved=1")
    page = client.get("/start?saved=1").text
    assert "Saved." in page
    assert steps(page) == ["done", "now", "open", "open", "open"]
    tool = send(client, "/lab/tools/new?kind=co2_laser&next=/start", code="CO2", name="CO₂ laser")
    assert tool.headers["location"] == "/start?saved=1"
    send(client, "/lab/masks/new?next=/start", **MASK)
    send(client, "/lab/recipes/new?step=oxide_etch&next=/start", name="Disc etch", etch_s="20 min")
    assert steps(client.get("/start").text) == ["done", "done", "done", "now", "done"]


def test_a_fibre_spool_will_do_instead_of_a_mask(client: TestClient) -> None:
    """A lab that melts spheres needs no mask."""
    send(client, "/lab/people/new", initials="ab", name="Ada Birch", role="lead")
    send(client, "/lab/lots/new?kind=fibre_spool", code="SPOOL-1", cladding_um="125")
    assert steps(client.get("/start").text)[2] == "done"


def test_other_pages_point_to_the_first_steps_until_a_piece_is_there(client: TestClient) -> None:
    """The pointer says how many are left, and is not on the page it points to."""
    assert "This lab has no piece yet." in client.get("/lab").text
    assert "None of its five first steps is done." in client.get("/lab/tools").text
    assert "This lab has no piece yet." not in client.get("/start").text


def test_the_first_person_is_logging_at_once_and_brings_the_usual_specifications(client: TestClient) -> None:
    """Nobody has to be chosen to register the first person; what they save next is in their name."""
    send(client, "/lab/people/new", initials="ab", name="Ada Birch", role="lead")
    page = client.get("/lab/specifications").text
    assert '<span class="who">AB</span>' in page
    assert "intrinsic Q at least 1.0 × 10⁸" in page


def test_a_second_person_is_not_registered_by_nobody(client: TestClient, database: Database) -> None:
    """What was typed stays, with what to do."""
    with_person(database)
    refused = send(client, "/lab/people/new", initials="cd", name="Cy Dale", role="member")
    assert refused.status_code == 409
    assert "Nobody is logging: press your initials" in refused.text
    assert 'value="Cy Dale"' in refused.text


def test_who_is_logging_is_one_action(client: TestClient, database: Database) -> None:
    """Press a key, come back to the page; press Nobody, and nobody is logging."""
    who = with_person(database)
    chosen = client.post("/person", data={"who": str(who), "back": "/lab/tools"})
    assert (chosen.status_code, chosen.headers["location"]) == (303, "/lab/tools")
    assert '<span class="who">AB</span>' in client.get("/lab").text
    client.post("/person", data={"who": "", "back": "/lab"})
    assert '<span class="who">nobody</span>' in client.get("/lab").text


@pytest.mark.parametrize("who", ["99", "x", "-1", "99999999999999999999"])
def test_a_key_nobody_has_is_told(client: TestClient, who: str) -> None:
    """And nothing is remembered."""
    refused = client.post("/person", data={"who": who, "back": "/"})
    assert refused.status_code == 422
    assert "Nobody who logs here has this key" in refused.text
    assert "set-cookie" not in refused.headers


def test_the_way_back_leads_to_this_server_only(client: TestClient, database: Database) -> None:
    """A form cannot send a person to another site, neither after choosing nor after saving."""
    who = with_person(database)
    chosen = client.post("/person", data={"who": str(who), "back": "//elsewhere.example/"})
    assert chosen.headers["location"] == "/"
    made = send(client, "/lab/tools/new?kind=hood&next=//elsewhere.example", code="HOOD", name="Acid hood")
    assert made.headers["location"] == "/lab/tools/HOOD?saved=1"


@pytest.mark.parametrize("cookie", ["", "1", "x.y", "1.99999999999999", "1.1.1", "-1.5"])
def test_a_broken_cookie_is_nobody(client: TestClient, database: Database, cookie: str) -> None:
    """Whatever the machine's cookie says, the page is shown."""
    with_person(database)
    client.cookies.set("marver_person", cookie)
    page = client.get("/lab")
    assert page.status_code == 200
    assert '<span class="who">nobody</span>' in page.text


def test_a_form_is_saved_in_the_name_it_was_opened_with(client: TestClient, database: Database) -> None:
    """Somebody else pressing their key meanwhile does not take over what stands on the form."""
    from app.db.models.audit import AuditEntry
    from tests.web.forms_filled import hidden_of

    first = with_person(database)
    client.post("/person", data={"who": str(first), "back": "/"})
    send(client, "/lab/people/new", initials="cd", name="Cy Dale", role="member")
    form = hidden_of(client.get("/lab/tools/new?kind=hood").text)
    client.post("/person", data={"who": "2", "back": "/"})
    client.post("/lab/tools/new", data={**form, "kind": "hood", "code": "HOOD", "name": "Acid hood"})
    with database.reading() as session:
        entry = session.get_one(AuditEntry, 3)
        assert (entry.deed, entry.operator_id) == ("register tool", first)


def test_the_labs_own_zone_is_used_at_once_and_after_a_restart(
    client: TestClient, database: Database, settings: Settings
) -> None:
    """Times are shown in the zone the lab chose, whatever the server's own."""
    from starlette.testclient import TestClient as Again

    from app.web.app import create_app

    who = with_person(database)
    client.post("/person", data={"who": str(who), "back": "/"})
    saved = send(client, "/lab/settings/change", name="Glass lab", zone="Asia/Tokyo", stalled_days="30")
    assert saved.status_code == 303
    client.get("/lab")
    assert "Times are the lab’s: Asia/Tokyo" in client.get("/lab").text
    with Again(create_app(settings), base_url="http://127.0.0.1:8000") as again:
        assert "Times are the lab’s: Asia/Tokyo" in again.get("/lab").text


def test_a_person_who_left_is_logging_no_more(client: TestClient, database: Database) -> None:
    """Their key is gone from the panel, and a machine that remembers them says nobody."""
    who = with_person(database)
    with_tool(database, who)
    client.post("/person", data={"who": str(who), "back": "/"})
    send(client, "/lab/people/new", initials="cd", name="Cy Dale", role="lead")
    left = send(client, f"/lab/people/{who}", name="Ada Birch", role="lead", active="")
    assert left.status_code == 303
    page = client.get("/lab").text
    assert '<span class="who">nobody</span>' in page
    assert ">AB</button>" not in page
