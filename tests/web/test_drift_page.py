"""The drift page and its file, through HTTP."""

from __future__ import annotations

import csv
import io
import re
from html import unescape
from typing import TYPE_CHECKING

import pytest

from app.db.models.material import Lot
from app.db.models.people import Tool, ToolEvent
from tests.queries.small_lab import SmallLab, sites

if TYPE_CHECKING:
    from starlette.testclient import TestClient

    from app.db.session import Database

SERIES = ("etch_rate", "disc_after", "pillar_ratio", "undercut_per_dose", "laser_power", "log_q")
KINDS = ("individuals", "mean_range", "ewma", "cusum", "trend")


def words(html: str) -> str:
    """The page's text without charts and tags, spaces as one."""
    bare = re.sub(r"<script.*?</script>|<svg.*?</svg>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", bare))).replace("\u202f", "").replace("\u00a0", " ")


def etched(database: Database, times: list[float]) -> SmallLab:
    """One wafer of 2 µm oxide after the other in one bath, a day apart; the hood is serviced before the last."""
    lab = SmallLab(database)
    hood = Tool(code="HOOD-9", code_key="hood-9", kind="hood", name="Hood")
    bath = Lot(code="BATH-9", code_key="bath-9", kind="etchant_bath")
    lab.add(hood, bath)
    for i, etch_s in enumerate(times, 1):
        piece = lab.wafer(f"W{i:03d}")
        lab.step("lithography", [piece])
        if i == len(times):
            done = ToolEvent(tool_id=hood.id, kind="service", done_at=lab.at, logged_at=lab.at, operator_id=1)
            lab.add(done)
        lab.step(
            "oxide_etch", [piece], etch_s=etch_s, tool_id=hood.id, bath_lot_id=bath.id, disc_after_um=60.0, hours=24
        )
    return lab


@pytest.mark.parametrize("series", SERIES)
def test_an_empty_lab_is_told_what_to_do_first(client: TestClient, series: str) -> None:
    """Each series says what to log, and the head leads here."""
    answer = client.get("/drift", params={"series": series})
    assert answer.status_code == 200
    said = words(answer.text)
    assert "Nothing is logged of this quantity yet." in said
    assert "From 8 on, a chart stands here." in said
    assert 'href="/drift"' in answer.text


def test_few_points_say_what_it_would_take(database: Database, client: TestClient) -> None:
    """Five etches: three more are wanted, and their points stand in the table with links."""
    etched(database, [1200.0] * 5)
    answer = client.get("/drift")
    assert "5 points so far; a chart needs 8: 3 more." in words(answer.text)
    assert '<a href="/pieces/W001">W001</a>' in answer.text
    assert 'id="charts"' not in answer.text


def test_a_jump_is_marked_and_linked_to_the_service_before_it(database: Database, client: TestClient) -> None:
    """2 µm in 1 200 s is 100 nm/min; a last etch of twice the time is beyond the limits, by picture and by word."""
    etched(database, [1200, 1210, 1190, 1205, 1195, 1200, 1210, 1190, 1200, 1205, 2400])
    html = client.get("/drift", params={"baseline": "10"}).text
    listed = words(html.split('id="alarms"')[1].split("</section>")[0])
    assert "11" in listed
    assert "W011 50.00 beyond the limits" in listed
    assert "Service, HOOD-9" in listed
    assert '<a href="/lab/tools/HOOD-9">' in html
    assert "11 beyond" in html.split('id="charts"')[1].split('id="alarms"')[0].split("<script")[0]


def test_an_ageing_bath_stands_out(database: Database, client: TestClient) -> None:
    """Etches that take ever longer: the page says in its first sentence that the bath falls."""
    etched(database, [1200 + 40 * i + 5 * (i % 2) for i in range(9)])
    said = words(client.get("/drift", params={"of": "bath:BATH-9"}).text)
    assert "BATH-9 falls: −" in said
    assert "nm/min from first to last" in said


def test_the_file_has_numbers_in_order_of_time(database: Database, client: TestClient) -> None:
    """The file gives each session's power and each act's rate as numbers, in order of time."""
    lab = etched(database, [1200.0] * 8)
    for watts in (5.0, 5.1):
        lab.sitting(meter_start_w=watts)
    rows = list(csv.DictReader(io.StringIO(client.get("/drift.csv", params={"series": "laser_power"}).text)))
    assert [float(row["value"]) for row in rows] == [5.0, 5.1]
    rows = list(csv.DictReader(io.StringIO(client.get("/drift.csv").text)))
    assert [row["act"] for row in rows] == [f"W{i:03d}" for i in range(1, 9)]
    assert {float(row["value"]) for row in rows} == {100.0}
    assert {row["bath"] for row in rows} == {"BATH-9"}


def test_q_is_the_mean_of_the_sessions_devices(database: Database, client: TestClient) -> None:
    """Two devices of 10⁸ and 10⁶ shot in one session: log₁₀ Q is 7 over two values."""
    lab = SmallLab(database)
    _, devices = lab.patterned("W001", sites(1, 2))
    sitting = lab.sitting()
    for device, q in zip(devices, (1e8, 1e6), strict=True):
        lab.shot(device, sitting, "good")
        lab.measure(device, q)
    row = next(csv.DictReader(io.StringIO(client.get("/drift.csv", params={"series": "log_q"}).text)))
    assert float(row["value"]) == pytest.approx(7.0)
    assert row["values"] == "2"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("limits", ["prediction", "handbook"])
def test_every_chart_answers(database: Database, client: TestClient, kind: str, limits: str) -> None:
    """Each kind of chart is a page with a picture, or says what it lacks."""
    etched(database, [1200.0, 1210.0] * 5)
    answer = client.get("/drift", params={"kind": kind, "limits": limits})
    assert answer.status_code == 200
    assert ('id="charts"' in answer.text) == (kind != "mean_range")
    assert ("a chart needs 8" in words(answer.text)) == (kind == "mean_range")


def test_what_cannot_be_read_is_told_and_kept(database: Database, client: TestClient) -> None:
    """A day and a baseline that are none: said where, kept in the form, nothing lost; the file refuses."""
    etched(database, [1200.0])
    asked = {"from": "someday", "baseline": "-2"}
    answer = client.get("/drift", params=asked)
    assert answer.status_code == 422
    assert "“-2” is not a whole number from 3 on." in words(answer.text)
    assert 'value="someday"' in answer.text
    assert client.get("/drift.csv", params=asked).status_code == 422
    assert "No point fits what you asked for." in client.get("/drift", params={"to": "2001-01-01"}).text
