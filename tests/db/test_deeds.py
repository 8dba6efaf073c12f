"""One submission, once; one writer at a time; reading sessions only read; a deed is whole or not at all."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select, text

from app.actions.people import register_person
from app.core.refusal import AlreadySavedDifferently, Refusal
from app.db.models.audit import AuditEntry
from app.db.models.people import Operator, Tool
from app.files import FileStore
from app.queries.verify import verify
from app.schemas.people import PersonIn
from tests.db.small_lab import with_person, with_tool

if TYPE_CHECKING:
    from pathlib import Path

    from app.db.session import Database

BODY = {"initials": ["CD"], "name": ["Cy Dale"]}


def send(database: Database, body: dict[str, list[str]], key: str = "one-form-0001") -> tuple[bool, object]:
    """Send a person's form under a key, as a page does; (whether it was saved before, the answer)."""
    with database.writing("register person", operator_id=None, key=key, body=body) as writing:
        if not writing.answered_before:
            person = register_person(writing, PersonIn(initials=body["initials"][0], name=body["name"][0]))
            writing.answer = person.id
    return writing.answered_before, writing.answer


def count(database: Database, model: type[Operator] | type[Tool] | type[AuditEntry]) -> int:
    """Rows of a table."""
    with database.reading() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


def test_the_same_form_twice_is_saved_once(either_database: Database) -> None:
    """A double click or the back button gets the first answer again."""
    assert send(either_database, BODY) == (False, 1)
    assert send(either_database, BODY) == (True, 1)
    assert count(either_database, Operator) == 1
    assert count(either_database, AuditEntry) == 1


def test_the_same_key_with_other_content_is_told(either_database: Database) -> None:
    """What was changed after saving is not silently dropped, nor saved over."""
    send(either_database, BODY)
    with pytest.raises(AlreadySavedDifferently, match="already saved with other content"):
        send(either_database, {"initials": ["CE"], "name": ["Cy Dale"]})
    assert count(either_database, Operator) == 1


def test_a_refused_save_does_not_use_up_its_key(either_database: Database) -> None:
    """Mended and sent again with the key it had, the form is saved."""
    with pytest.raises(Refusal, match="cannot be initials"):
        send(either_database, {"initials": ["C D"], "name": ["Cy Dale"]})
    assert count(either_database, AuditEntry) == 0
    assert not send(either_database, BODY)[0]


def test_a_deed_that_breaks_leaves_nothing(either_database: Database) -> None:
    """Neither the row nor the entry nor the key stays when something goes wrong half-way."""

    def break_half_way() -> None:
        with either_database.writing("register person", operator_id=None, key="one-form-0001", body=BODY) as writing:
            register_person(writing, PersonIn(initials="CD", name="Cy Dale"))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        break_half_way()
    assert count(either_database, Operator) == 0
    assert count(either_database, AuditEntry) == 0
    assert not send(either_database, BODY)[0]


def test_a_reading_session_only_reads(either_database: Database) -> None:
    """Whatever is added in one is refused, and none of it is kept."""
    with pytest.raises(RuntimeError, match="only reads"), either_database.reading() as session:
        session.add(Operator(initials="X", initials_key="x", name="Nobody"))
    assert count(either_database, Operator) == 0


def test_a_reading_session_sees_one_moment(either_database: Database) -> None:
    """A deed that commits meanwhile does not show half-way down a page."""
    with either_database.reading() as session:
        assert session.scalar(text("SELECT count(*) FROM operator")) == 0
        with_person(either_database)
        assert session.scalar(text("SELECT count(*) FROM operator")) == 0


def test_many_writers_at_once_queue_and_none_is_lost(either_database: Database, tmp_path: Path) -> None:
    """Twelve machines save at the same moment: every deed is kept, numbered without gap or fork."""
    who = with_person(either_database)
    wrong: list[BaseException] = []
    ready = threading.Barrier(12)

    def save(number: int) -> None:
        try:
            ready.wait()
            for each in range(3):
                with_tool(either_database, who, f"T-{number}-{each}")
        except BaseException as error:
            wrong.append(error)

    threads = [threading.Thread(target=save, args=(number,)) for number in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong
    assert count(either_database, Tool) == 36
    result = verify(either_database, FileStore(tmp_path / "files"))
    assert (result.faults, result.seq) == ((), 37)


def test_writers_are_served_in_the_order_they_came(database: Database) -> None:
    """A late comer does not overtake one who waits."""
    lock = database._queue
    lock.acquire()
    order: list[int] = []

    def take(number: int) -> None:
        lock.acquire()
        order.append(number)
        lock.release()

    threads = []
    for number in range(8):
        thread = threading.Thread(target=take, args=(number,))
        thread.start()
        while len(lock._waiting) <= number:
            assert thread.is_alive()
        threads.append(thread)
    lock.release()
    for thread in threads:
        thread.join()
    assert order == list(range(8))


def test_two_people_on_one_record_are_both_told(either_database: Database) -> None:
    """The second to save a form opened before the first saved is refused, and the first's words stand."""
    from app.actions.tools import change_tool
    from app.schemas.tools import ToolChangeIn

    who, tool_id = with_person(either_database), with_tool(either_database, None)
    with either_database.writing("change tool", operator_id=who) as writing:
        change_tool(writing, tool_id, ToolChangeIn(name="First", version=1))
    with (
        pytest.raises(Refusal, match="Somebody else changed this record"),
        either_database.writing("change tool", operator_id=who) as writing,
    ):
        change_tool(writing, tool_id, ToolChangeIn(name="Second", version=1))
    with either_database.reading() as session:
        assert session.get_one(Tool, tool_id).name == "First"
        assert session.get_one(Tool, tool_id).version == 2
