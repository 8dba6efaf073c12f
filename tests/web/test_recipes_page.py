"""The recipes page and its file, through HTTP."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from app.charts.strips import dots, log_axis
from app.db.session import Database
from tests.queries.small_lab import SmallLab, sites
from tests.web.test_yield_page import words


@pytest.fixture
def lab(database: Database) -> SmallLab:
    """Five wafers with four devices of a better and four of a poorer version each, and one lucky device of another."""
    lab = SmallLab(database)
    lab.specification("microtoroid", 1e8, band="1550 nm", medium="air")
    poor, good = lab.recipe("Melt 90", "reflow", versions=2)
    (lucky,) = lab.recipe("<b>Melt</b> 95", "reflow")
    for number in range(5):
        piece, devices = lab.patterned(f"W00{number + 1}", sites(1, 9))
        lab.step("oxide_etch", [piece])
        lab.undercut([piece])
        lab.at += timedelta(days=7)
        sitting = lab.sitting()
        with lab.one_deed():
            for place, device in enumerate(devices[:8]):
                better = place < 4
                lab.shot(device, sitting, "good", recipe_version_id=good if better else poor, exposure_s=2.0)
                lab.measure(device, (1.2e8 if better else 5e7) * (1 + 0.03 * (place % 4) + 0.02 * number), picked="all")
            if number == 0:
                lab.shot(devices[8], sitting, "good", recipe_version_id=lucky)
                lab.measure(devices[8], 9e8)
    return lab


def test_ranking_stands_with_counts_interval_share_and_lead(lab: SmallLab, client: TestClient) -> None:
    """The better version stands first with what its devices came from; the lucky one in a part of its own."""
    answer = client.get("/recipes")
    said = words(answer.text)
    assert answer.status_code == 200
    assert said.index("Melt 90, version 2") < said.index("Melt 90, version 1") < said.index("Melt&lt;/b&gt; 95")
    assert "41 toroids with a Q of grade A or B at 1550 nm in air, from 5 wafers" in said
    assert "5 wafers, 5 sessions" in said
    assert "Not enough data. It would take 7 more devices, at least one from a second wafer." in said
    assert len(re.findall(r'class="one" cx="[0-9.]+%"', answer.text)) == 41


def test_search_is_by_address(lab: SmallLab, client: TestClient) -> None:
    """Ranges of any quantity with a decimal comma and unit, wafers, grouping: all in the address, all shown again."""
    query = "wafers=w001,w002&q=reflow_exposure_s&q_from=1500+ms&q_to=2,5&by=reflow_exposure_s&purpose=candidate"
    answer = client.get(f"/recipes?{query}")
    assert answer.status_code == 200
    assert "17 toroids" in words(answer.text)
    assert 'value="1500 ms"' in answer.text
    assert "2.00 s" in words(answer.text)
    again = re.search(r'href="(/recipes\.csv\?[^"]+)"', answer.text)
    assert again is not None
    rows = list(csv.DictReader(io.StringIO(client.get(again[1].replace("&amp;", "&")).text, newline="")))
    assert [row["reflow_exposure_s"] for row in rows] == ["2.00\u00a0s"]
    assert rows[0]["devices"] == "17"


def test_csv_holds_every_group_unrounded(lab: SmallLab, client: TestClient) -> None:
    """Ranked or not; a name that holds markup is text."""
    rows = list(csv.DictReader(io.StringIO(client.get("/recipes.csv").text, newline="")))
    assert [row["ranked"] for row in rows] == ["yes", "yes", "no"]
    assert rows[2]["reflow_recipe_version_id"] == "<b>Melt</b> 95, version 1"
    assert float(rows[0]["q_typical_low"]) < float(rows[0]["q_typical"]) < float(rows[0]["q_typical_high"])
    assert float(rows[0]["on_specification"]) == 1


def test_what_cannot_be_read_is_told_and_kept(lab: SmallLab, client: TestClient) -> None:
    """A word for a number, a range upside down, an unknown wafer: each in its own line, the rest searched."""
    answer = client.get("/recipes?pillar_ratio_from=half&disc_um_from=100&disc_um_to=50&wafers=W777")
    said = words(answer.text)
    assert answer.status_code == 422
    assert "Pillar ratio: “half” is not a number" in said
    assert "holds nothing, the first is the larger" in said
    assert "No wafer with devices in hand is called W777" in said
    assert 'value="half"' in answer.text
    assert client.get("/recipes.csv?pillar_ratio_from=half").status_code == 422


def test_quantity_never_measured_is_told(lab: SmallLab, client: TestClient) -> None:
    """A range over what nobody measured leaves nothing, and the page says why."""
    said = words(client.get("/recipes?pillar_ratio_from=0.3&pillar_ratio_to=0.5").text)
    assert "Pillar ratio was never measured on 41 toroids, left out here." in said
    assert "No measured device fits this search." in said


@pytest.mark.parametrize(
    "query",
    [
        "by=",
        "by=nonsense",
        "kind=microsphere",
        "at=780+nm|water",
        "q=%00&q_from=1",
        "spec=99999",
        "purpose=any",
        "from=x",
    ],
)
def test_odd_addresses_answer(lab: SmallLab, client: TestClient, query: str) -> None:
    """Whatever stands in the address, the answer is a page."""
    assert client.get(f"/recipes?{query}").status_code in (200, 422)


def test_empty_lab_is_told_what_to_do_first(client: TestClient) -> None:
    """No Q yet: the page says how one comes to be."""
    answer = client.get("/recipes")
    assert answer.status_code == 200
    assert "No Q is known yet" in answer.text


def test_dots_keep_to_the_axis_and_apart() -> None:
    """Every value is one dot between the ends, in order; two alike stand on different heights."""
    values = [4e7, 1.0e8, 1.0e8, 1.0e8, 3e8]
    axis = log_axis(values, 8)
    assert axis is not None
    placed = dots(values, axis)
    assert [dot.x for dot in placed] == sorted(dot.x for dot in placed)
    assert all(0 < dot.x < 100 for dot in placed)
    assert len({dot.y for dot in placed[1:4]}) == 3
    assert [tick.text for tick in axis.ticks] == ["0.5", "1", "2"]
    assert log_axis([]) is None
