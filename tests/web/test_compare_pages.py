"""Comparing two groups on Recipes and Yield, through HTTP and without a script."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from app.db.session import Database
from tests.queries.small_lab import SmallLab, sites
from tests.web.test_yield_page import words


@pytest.fixture
def lab(database: Database) -> SmallLab:
    """Three wafers with three devices of each of two versions; names that must be escaped."""
    lab = SmallLab(database)
    lab.specification("microtoroid", 1e8, band="1550 nm", medium="air")
    (poor,), (good,) = lab.recipe("Melt <80> & less", "reflow"), lab.recipe("Melt 92", "reflow")
    for number in range(3):
        piece, devices = lab.patterned(f"W00{number + 1}", sites(1, 6))
        lab.step("oxide_etch", [piece])
        lab.undercut([piece])
        lab.at += timedelta(days=7)
        sitting = lab.sitting()
        with lab.one_deed():
            for place, device in enumerate(devices):
                version = good if place < 3 else poor
                lab.shot(device, sitting, "good", recipe_version_id=version, exposure_s=2.0 if place < 3 else 1.0)
                lab.measure(device, 1.5e8 if place < 3 else 5e7, picked="all")
    return lab


BY = {"by": "reflow_recipe_version_id"}
BOTH = ["Melt 92, version 1", "Melt <80> & less, version 1"]


def test_recipes_can_be_ticked_and_compared_by_the_form_alone(lab: SmallLab, client: TestClient) -> None:
    """The ticks belong to the search form; the answer is the one large figure; too few sessions claim no interval."""
    plain = client.get("/recipes", params=BY)
    assert plain.text.count('type="checkbox" form="search" name="compare"') == 2
    assert "side by side" not in words(plain.text).split("Tick two groups")[0]
    answer = client.get("/recipes", params={**BY, "compare": BOTH})
    said = words(answer.text)
    assert answer.status_code == 200
    assert answer.text.count("hero") == 1
    assert "3.00 times the Q" in said
    assert "No interval yet. One of the two comes from 3 sessions and 3 wafers" in said
    assert "measure devices of 2 more sessions and of 2 more wafers" in said
    assert "No session carries both" not in said
    assert "Reflow: exposure 2.00 s ≠ differs from 1.00 s" in said
    assert "Sessions that made both, one by one" in said
    assert "<80>" not in answer.text
    assert answer.text.count(" checked") == 2


@pytest.mark.parametrize(
    ("compare", "says"),
    [
        (BOTH[:1], "One group is ticked: tick a second one to compare."),
        (["Melt 93", BOTH[0]], "Melt 93: no group of this search is called so"),
        ([*BOTH, "Melt 93"], "3 groups are ticked"),
    ],
)
def test_a_comparison_that_cannot_be_made_is_told(
    lab: SmallLab, client: TestClient, compare: list[str], says: str
) -> None:
    """One tick, a group that went, three ticks: in words, with the ranking as before."""
    answer = client.get("/recipes", params={**BY, "compare": compare})
    assert answer.status_code in (200, 422)
    assert says in words(answer.text)
    assert "Melt 92, version 1" in words(answer.text)


def test_the_day_and_the_wafer_are_named_where_they_may_be_the_cause(lab: SmallLab, client: TestClient) -> None:
    """Groups that share neither session nor wafer."""
    answer = client.get("/recipes", params={"by": "root_code", "compare": ["W001", "W002"]})
    said = words(answer.text)
    assert "No session carries both. A part of the difference may be the day’s." in said
    assert "No wafer carries both." in said


def test_yield_compares_ticked_groups_and_periods(lab: SmallLab, client: TestClient) -> None:
    """Two wafers against one, then dates against dates as people write them."""
    ticked = client.get("/yield", params={"one": ["W001", "W002"], "two": "W003"})
    said = words(ticked.text)
    assert ticked.status_code == 200
    assert "Group against group" in said
    assert "W001, W002 12 devices W003 6 devices" in said
    assert "no interval: fewer than 5 acts" in said
    assert "Rolled yield" in said
    dates = client.get("/yield", params={"to": "1 Jan 2030", "against_from": "2 Jan 2030"})
    assert "to 1 Jan 2030 18 devices from 2 Jan 2030 0 devices" in words(dates.text)


def test_yield_ticked_on_one_side_only_says_so(lab: SmallLab, client: TestClient) -> None:
    """The page stands, the comparison waits for its other side."""
    answer = client.get("/yield", params={"one": "W001"})
    assert answer.status_code == 422
    assert "Groups are ticked on one side only" in words(answer.text)
    assert "Stage by stage" in words(answer.text)


def test_days_are_read_as_people_write_them(lab: SmallLab, client: TestClient) -> None:
    """ISO and in words mean the same day; what is neither is told with both ways to write it; no date widget."""
    iso = client.get("/yield?from=2020-02-01&to=2029-11-23")
    said = client.get("/yield?from=1+Feb+2020&to=23.11.2029")
    wrong = client.get("/recipes?from=the+ides")
    assert "18 discs taken in hand" in words(iso.text)
    assert "18 discs taken in hand" in words(said.text)
    assert "0 discs taken in hand" in words(client.get("/yield?to=1+Feb+2020").text)
    assert 'value="1 Feb 2020"' in said.text
    assert "write it like 2026-11-23 or 23 Nov 2026" in wrong.text
    assert 'type="date"' not in iso.text + wrong.text


@pytest.mark.browser
@pytest.mark.parametrize(
    "address", ["/recipes?by=root_code&compare=W001&compare=W002", "/yield?one=W001&two=W002&two=W003"]
)
def test_a_comparison_prints_on_one_page(lab: SmallLab, live_server: str, page: object, address: str) -> None:
    """On A4 the whole search with its two groups is one page."""
    from playwright.sync_api import Page

    assert isinstance(page, Page)
    page.goto(f"{live_server}{address}")
    printed = page.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", printed)) == 1
