"""The yield page and its files, through HTTP."""

from __future__ import annotations

import csv
import io
import re

import pytest
from starlette.testclient import TestClient

from app.db.session import Database
from tests.queries.small_lab import SmallLab, sites


@pytest.fixture
def lab(database: Database) -> SmallLab:
    """Two wafers of six discs, one of them dropped after the etch; on the other four good rims of five shot."""
    lab = SmallLab(database)
    lab.specification("microtoroid", 1e8, band="1550 nm", medium="air")
    first, d = lab.patterned("W001", sites(1, 6))
    second, _ = lab.patterned("W002", sites(1, 6))
    lab.step("oxide_etch", [first, second])
    lab.lose_piece(second)
    lab.undercut([first])
    sitting = lab.sitting()
    with lab.one_deed():
        for device in d[:4]:
            lab.shot(device, sitting, "good")
        lab.shot(d[4], sitting, "off_centre")
    lab.measure(d[0], 2e8, picked="all")
    lab.measure(d[1], 4e7, picked="all")
    return lab


def words(html: str) -> str:
    """The page's text without tags, spaces as one."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("\u202f", "").replace("\u00a0", " ")


def test_page_says_its_figures_in_one_sentence_and_a_table(lab: SmallLab, client: TestClient) -> None:
    """Counts, rolled and final yield, pieces lost, coverage with bounds: in words a person can read."""
    answer = client.get("/yield")
    said = words(answer.text)
    assert answer.status_code == 200
    assert "Of 12 discs came 4 good rims ; the steps together yield 80 %" in said
    assert "4 of 11" in said
    assert "Wafers lost: 1 (6 devices)" in said
    assert "1 act, see below" in said
    assert "On specification 50 % , 1 of 2 characterised" in said
    assert "25–75 %" in said
    assert "Wait for reflow" in said


def test_each_stage_row_stands_with_its_counts(lab: SmallLab, client: TestClient) -> None:
    """Attempted, passed, failed, not looked at, share decided, yield, first pass."""
    rows = re.findall(r'<tr><th scope="row">(Patterned|Reflowed)</th>(.*?)</tr>', client.get("/yield").text, re.S)
    cells = {name: [words(cell).strip() for cell in re.findall(r"<td.*?</td>", row, re.S)] for name, row in rows}
    assert cells["Patterned"][1:6] == ["6", "5", "0", "1", "83 %"]
    assert cells["Reflowed"][1:6] == ["5", "4", "1", "0", "100 %"]
    assert cells["Reflowed"][6].startswith("80 %")


@pytest.mark.parametrize("by", ["wafer", "recipe", "person", "month", "mask"])
def test_every_grouping_and_kind_answers(lab: SmallLab, client: TestClient, by: str) -> None:
    """Each way of standing side by side is a page, also for a kind without devices."""
    assert client.get("/yield", params={"by": by}).status_code == 200
    assert "No candidate fits" in client.get("/yield", params={"by": by, "kind": "microsphere"}).text


def test_a_date_that_is_none_is_told_and_kept(lab: SmallLab, client: TestClient) -> None:
    """Both bad dates are named, what was typed stays, the rest is shown."""
    answer = client.get("/yield", params={"from": "2026-02-31", "to": "<soon>"})
    assert answer.status_code == 422
    assert "“2026-02-31” is not a day of the calendar" in answer.text
    assert "&lt;soon&gt;" in answer.text
    assert 'value="2026-02-31"' in answer.text
    backwards = client.get("/yield", params={"from": "2026-03-10", "to": "2026-03-01"})
    assert "holds no day" in backwards.text


def test_unknown_words_in_the_address_fall_back(lab: SmallLab, client: TestClient) -> None:
    """An unknown kind, grouping, specification or wafer breaks nothing."""
    answer = client.get("/yield", params={"kind": "resonator", "by": "moon", "spec": "x" * 9, "wafer": "W999"})
    assert answer.status_code == 200
    assert "No candidate fits" in answer.text


def test_empty_lab_is_told_what_to_do_first(client: TestClient) -> None:
    """Nothing in hand: the page says how a device comes to be."""
    answer = client.get("/yield")
    assert answer.status_code == 200
    assert "No device is in hand yet" in answer.text
    assert "/wafers/new" in answer.text


def test_the_table_can_be_had_as_csv(lab: SmallLab, client: TestClient) -> None:
    """The same figures as the page, unrounded, in a file pandas can read."""
    answer = client.get("/yield.csv", params={"by": "wafer"})
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    reflowed = next(row for row in rows if (row["by"], row["stage"]) == ("all", "Reflowed"))
    assert (reflowed["passed"], reflowed["failed"], float(reflowed["yield"])) == ("4", "1", 0.8)
    assert {row["group"] for row in rows if row["by"] == "wafer"} == {"W001", "W002"}
    assert client.get("/yield.csv", params={"from": "soon"}).status_code == 422


def test_all_devices_can_be_had_as_csv(lab: SmallLab, client: TestClient) -> None:
    """One row a device, with states."""
    answer = client.get("/devices.csv")
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert len(rows) == 12
    assert {row["patterned_state"] for row in rows if row["root_code"] == "W002"} == {"lost_with_piece"}
    assert answer.headers["content-disposition"] == 'attachment; filename="devices.csv"'


def test_nothing_is_inline(lab: SmallLab, client: TestClient) -> None:
    """The page keeps to the strict policy: no style attribute, no script of its own."""
    html = client.get("/yield").text
    assert not re.search(r"<[^>]+\sstyle=", html)
    assert not re.search(r"<[^>]+\son[a-z]+=", html)


@pytest.mark.browser
def test_yield_prints_on_one_page(lab: SmallLab, live_server: str, page: object) -> None:
    """On A4 the whole of it is one page."""
    from playwright.sync_api import Page

    assert isinstance(page, Page)
    page.goto(f"{live_server}/yield")
    printed = page.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", printed)) == 1
