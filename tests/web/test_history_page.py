"""History: every deed with what it changed, filters that agree, a check that finds what was altered."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
from datetime import UTC, datetime, timedelta
from html import unescape
from typing import Any

import pytest
from sqlalchemy import Boolean, DateTime, Float, Integer
from starlette.testclient import TestClient

from app.actions.log_corrections import correct_event, void_event
from app.actions.pieces import take_in_hand
from app.db.audit import UNAUDITED, canonical
from app.db.models.people import Operator
from app.db.session import Database
from app.queries import history
from app.queries.history import Wanted
from app.queries.history_names import MAPPERS
from app.queries.history_words import HIDDEN, Raw, tell
from app.schemas.log import CorrectIn
from app.schemas.pieces import SitesIn, TakingIn
from app.settings import Settings
from tests.log_lab import LogLab


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A wafer etched for too long by a slip of the finger, corrected; a block of sites in hand."""
    lab = LogLab(database)
    lab.exposed()
    etch = lab.step("oxide_etch", lab.second, settings={"etch_s": 1090.0}, done_at=lab.ago(days=2), unknown=False)
    with lab.deed(reason="mistyped") as w:
        w.deed = "correct record"
        correct_event(w, CorrectIn(event_id=etch.id, changes={"etch_s": 1190.0}, reason="Mistyped"))
    with lab.deed() as w:
        w.deed = "take sites in hand"
        sites = tuple((row, column) for row in range(1, 5) for column in range(1, 9))
        take_in_hand(w, TakingIn(piece_id=lab.wafer, chosen=(SitesIn(exposure_number=1, sites=sites),)))
    lab.etch_id = etch.id
    return lab


def text_of(client: TestClient, address: str, status: int = 200) -> str:
    """What a person reads on the page, without markup."""
    answer = client.get(address)
    assert answer.status_code == status, answer.text[-800:]
    main = answer.text.partition("<main")[2].partition("</main>")[0]
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", main)))


def numbers(client: TestClient, address: str) -> list[int]:
    """The deeds a page lists, in its order."""
    return [int(each) for each in re.findall(r'<h3><a href="/history/(\d+)"', client.get(address).text)]


def test_a_correction_reads_as_before_and_after(lab: LogLab, client: TestClient) -> None:
    """Who, why, which record with its page, and the value with its unit before and after."""
    text = text_of(client, "/history?deed=correct+record")
    assert "Correct record" in text
    assert "AB" in text
    assert "Reason: Mistyped" in text
    assert "Oxide etch W002 : Etch time 1 090 s → became 1 190 s" in text
    assert f'href="/log/record/{lab.etch_id}"' in client.get("/history").text


def test_newest_deeds_come_first(lab: LogLab, client: TestClient) -> None:
    """The list counts down."""
    found = numbers(client, "/history")
    assert found == sorted(found, reverse=True)
    assert len(found) == found[0] > 5


def test_a_bulk_taking_is_told_as_a_count(lab: LogLab, client: TestClient) -> None:
    """Thirty-two devices are one line with the first and the last of them."""
    assert "32 devices taken in hand W001-1-0101 to W001-1-0408" in text_of(client, "/history?deed=take+sites+in+hand")


def test_one_deed_shows_everything_it_changed(lab: LogLab, client: TestClient) -> None:
    """Its own page has each record, what it said, its place in the chain, and the ways to its neighbours."""
    number = numbers(client, "/history?deed=correct+record")[0]
    text = text_of(client, f"/history/{number}")
    for words in ("Correct record", "Mistyped", "Oxide etch W002", "Etch time", "1 090 s", "1 190 s", "Hash before it"):
        assert words in text
    html = client.get(f"/history/{number}").text
    assert f'href="/history/{number - 1}"' in html
    assert f'href="/history?table=oxide_etch&amp;id={lab.etch_id}"' in html


def test_a_deed_of_many_changes_is_read_in_pages(lab: LogLab, client: TestClient) -> None:
    """No page grows without end: what does not fit is one button away, and nothing is left out."""
    with lab.database.writing("register people", operator_id=1) as w:
        w.add(*(Operator(initials=f"P{n}", initials_key=f"p{n}", name=f"Person {n}") for n in range(230)))
    number = numbers(client, "/history")[0]
    first, rest = client.get(f"/history/{number}").text, client.get(f"/history/{number}?start=200").text
    assert "30 more changes" in first
    assert all(f"Person {n}<" in first + rest for n in range(230))


def test_the_history_of_one_record(lab: LogLab, client: TestClient) -> None:
    """A record's own history holds its making and its correction; a device's holds the taking that made it."""
    own = numbers(client, f"/history?table=oxide_etch&id={lab.etch_id}")
    assert own == numbers(client, f"/history?table=event&id={lab.etch_id}")
    assert len(own) == 2
    assert f"History of Oxide etch {lab.etch_id}" in text_of(client, f"/history?table=oxide_etch&id={lab.etch_id}")
    taken = numbers(client, "/history?deed=take+sites+in+hand")
    assert numbers(client, "/history?table=device&id=7") == taken
    assert numbers(client, "/history?code=w001-1-0107") == taken


def test_filters_narrow_together(lab: LogLab, client: TestClient) -> None:
    """Person, code, kind, days and words each narrow the list, and do so together."""
    everything = numbers(client, "/history")
    second = numbers(client, "/history?code=W002")
    assert set(second) < set(everything)
    assert numbers(client, "/history?who=nobody") == [1]
    assert set(numbers(client, "/history?who=1")) == set(everything) - {1}
    assert numbers(client, "/history?table=undercut") == numbers(client, "/history?table=undercut_segments")
    assert numbers(client, "/history?from=2026-03-12&to=2026-03-12") == everything
    assert numbers(client, "/history?from=2026-03-13") == []
    assert numbers(client, "/history?code=W002&table=oxide_etch&text=1190") == second[:1]
    assert numbers(client, "/history?code=LAS-1") == [1]
    assert numbers(client, "/history?code=Etch+2+%C2%B5m") == [1]


def test_words_are_sought_in_what_changed_and_not_in_names_of_columns(lab: LogLab, client: TestClient) -> None:
    """A name that changed is found, whatever its case; a word that only names a field is not."""
    assert numbers(client, "/history?text=anna+BERG") == [1]
    assert numbers(client, "/history?text=voided") == []
    assert numbers(client, "/history?text=100%25") == []
    assert "No deed fits" in text_of(client, "/history?text=voided")


def test_a_filter_that_cannot_be_is_said_and_kept(lab: LogLab, client: TestClient) -> None:
    """Each is named, what was typed stays in its field, and nothing breaks."""
    for query, says in (
        ("code=W999", "Nothing in this lab has the code “W999”."),
        ("from=31.2.2026", "is not a day of the calendar"),
        ("who=somebody", "“somebody” is nobody of this lab"),
    ):
        assert says in text_of(client, f"/history?{query}", 422)
        if not query.startswith("who"):
            assert f'value="{query.partition("=")[2]}"' in client.get(f"/history?{query}").text
            assert client.get(f"/history.csv?{query}").status_code == 422


def test_an_unknown_deed_or_record_is_not_there(lab: LogLab, client: TestClient) -> None:
    """A number no deed has is a page that says so; a record that cannot be has an empty history."""
    for number in (999, 0, -3, 10**30):
        assert "The history has no deed" in text_of(client, f"/history/{number}", 404)
    queries = ("table=nonsense&id=1", "table=event&id=x", "table=device&id=99999999999999", "before=0", "text=%00%01")
    for query in queries:
        assert "No deed fits" in text_of(client, f"/history?{query}")


def test_older_deeds_follow_without_gap_or_overlap(lab: LogLab, client: TestClient) -> None:
    """Fifty to a page; Older leads on and keeps the filter, Newest leads back."""
    for n in range(60):
        with lab.database.writing("register person", operator_id=1) as w:
            w.add(Operator(initials=f"P{n}", initials_key=f"p{n}", name=f"Person {n}"))
    address, seen, pages = "/history?deed=register+person", [], 0
    while address:
        html = client.get(address).text
        seen += numbers(client, address)
        older = re.search(r'href="([^"]+)">Older deeds', html)
        assert ("Newest</a>" in html) == (pages > 0)
        address, pages = unescape(older[1]) if older else "", pages + 1
    assert pages == 2
    assert len(seen) == 60
    assert seen == sorted(set(seen), reverse=True)


def test_the_list_is_data_as_well(lab: LogLab, client: TestClient) -> None:
    """The CSV has a row a change, in words and as stored, under the same filter; no cell becomes a formula."""
    with lab.database.writing("=cmd|deed", operator_id=1, reason="@sum") as w:
        w.add(Operator(initials="+1", initials_key="+1", name="-1+1"))
    answer = client.get("/history.csv?deed=correct+record")
    assert "attachment" in answer.headers["content-disposition"]
    (row,) = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert (row["who"], row["deed"], row["reason"], row["name"]) == ("AB", "correct record", "Mistyped", "W002")
    assert row["in_words"] == "Etch time: 1\u202f090\u00a0s → 1\u202f190\u00a0s"
    assert '"etch_s":1090.0' in row["before"]
    assert '"etch_s":1190.0' in row["after"]
    everything = list(csv.DictReader(io.StringIO(client.get("/history.csv").text, newline="")))
    assert [int(each["number"]) for each in everything] == sorted((int(e["number"]) for e in everything), reverse=True)
    assert everything[0]["deed"] == "'=cmd|deed"
    assert everything[0]["reason"] == "'@sum"
    assert everything[0]["name"] == "'+1"


def test_a_record_taken_back_says_so(lab: LogLab, client: TestClient) -> None:
    """Voiding is a change like any other: when it was taken back, by whom and why."""
    with lab.deed(reason="twice") as w:
        void_event(w, lab.etch_id, "Entered twice")
    text = text_of(client, f"/history?table=event&id={lab.etch_id}")
    for words in (
        "Reason: Entered twice",
        "Taken back nothing → became 12 Mar 2026",
        "Taken back by nothing → became AB",
    ):
        assert words in text


def test_a_secret_is_never_shown(lab: LogLab, client: TestClient) -> None:
    """That a PIN was set is told; not what is kept of it, nor can it be sought."""
    with lab.database.writing("set PIN", operator_id=1) as w:
        w.session.get_one(Operator, 1).secret = "salted-hash"  # noqa: S105
        w.session.flush()
    assert "PIN nothing → became kept, not shown" in text_of(client, "/history")
    assert "salted-hash" not in client.get("/history").text
    assert numbers(client, "/history?text=salted-hash") == []
    assert "salted-hash" not in client.get("/history.csv").text


def test_the_check_of_the_chain_says_sound_and_where_to_note_it(lab: LogLab, client: TestClient) -> None:
    """An untouched lab is sound; number and hash stand ready to be noted."""
    head = re.search(r'class="code hash">([0-9a-f]{64})<', client.get("/history").text)
    answer = client.post("/history/check")
    assert answer.status_code == 200
    assert "Sound." in answer.text
    assert head is not None
    assert f":{head[1]}" in answer.text


@pytest.mark.embedded
def test_the_check_finds_what_was_altered_outside(lab: LogLab, client: TestClient, settings: Settings) -> None:
    """A figure edited in the database file, and an entry rewritten, are each named."""
    with sqlite3.connect(settings.data / "marver.sqlite") as other:
        other.execute("UPDATE oxide_etch SET etch_s = 700 WHERE id = ?", (lab.etch_id,))
        other.execute("UPDATE audit_entry SET operator_id = 3 WHERE seq = 2")
    other.close()
    text = unescape(client.post("/history/check").text)
    assert "Not sound" in text
    assert f"oxide_etch {lab.etch_id} differs from what the deeds say of it: etch_s" in text
    assert "audit: entry 2 (a deed) is not as it was written" in text


def test_an_empty_lab_says_what_will_stand_here(client: TestClient) -> None:
    """Before the first deed the page says so, and its CSV is a header."""
    assert "Nothing was ever saved in this lab." in text_of(client, "/history")
    assert client.get("/history.csv").text.count("\r\n") == 1


def test_both_databases_tell_the_same(either_database: Database) -> None:
    """Filters by record, day and words run on SQLite and PostgreSQL alike."""
    lab = LogLab(either_database)
    lab.exposed()
    zone = UTC
    with either_database.reading() as session:
        for wanted, count in (
            (Wanted(code="W001"), 4),
            (Wanted(code="HOOD-1"), 1),
            (Wanted(table="event", row_id="1"), 1),
            (Wanted(text="anna", who=history.NOBODY), 1),
            (Wanted(since=lab.now, until=lab.now + timedelta(seconds=1)), 4),
        ):
            assert len(history.entries(session, wanted, zone).entries) == count, wanted
        assert len(list(history.rows(session, Wanted(code="W001"), zone))) > 4


def test_every_column_of_every_record_has_words() -> None:
    """Whatever a deed may change, the change is told with a name and both values, and no stored name shows through."""
    at = datetime(2026, 3, 12, 10, 0, tzinfo=UTC)
    examples: dict[type, tuple[Any, Any]] = {
        Boolean: (False, True), Integer: (1, 2), Float: (1.5, 2.5), DateTime: (at, at + timedelta(days=1)),
    }  # fmt: skip
    for table, mapper in MAPPERS.items():
        if issubclass(mapper.class_, UNAUDITED):
            continue
        for attribute in mapper.column_attrs:
            if attribute.key in HIDDEN:
                continue
            kind = type(attribute.columns[0].type)
            old, new = next((pair for base, pair in examples.items() if issubclass(kind, base)), ("a", "b"))
            raw = Raw(1, table, "5", canonical({attribute.key: old}), canonical({attribute.key: new}))
            (line,) = tell(raw, {}, UTC).lines
            assert line.before, (table, attribute.key)
            assert line.after != line.before or attribute.key == "secret"
            assert "_" not in line.label, (table, attribute.key)
