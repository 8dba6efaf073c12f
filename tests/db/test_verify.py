"""Tampering shows: `verify` finds edited records, edited or cut audit chains, and changed files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import text

from app.actions.people import change_person
from app.db.models.seen import Attachment
from app.files import FileStore
from app.queries.verify import Anchor, Verified, verify
from app.schemas.people import PersonChangeIn
from tests.db.small_lab import with_devices, with_person, with_tool

if TYPE_CHECKING:
    from app.db.session import Database


@pytest.fixture
def files(tmp_path: Path) -> FileStore:
    """Where attachments are."""
    return FileStore(tmp_path / "files")


@pytest.fixture
def lab(either_database: Database, files: FileStore) -> Database:
    """A lab with a person, a tool, devices taken in bulk, one change and one file, on either database."""
    who = with_person(either_database)
    with_tool(either_database, who)
    with_devices(either_database, who)
    with either_database.writing("change person", operator_id=who) as writing:
        change_person(writing, who, PersonChangeIn(name="Ada Birch-Lund", role="lead"))
    content = b"0 1\n1 2\n"
    with either_database.writing("keep file", operator_id=who) as writing:
        kept = {"sha256": files.put(content), "size_bytes": len(content), "kept_at": writing.now}
        writing.add(Attachment(file_name="scan.txt", **kept))
    return either_database


def tamper(database: Database, *statements: str) -> None:
    """Change the database behind Marver's back."""
    with database.engine.begin() as connection:
        for statement in statements:
            connection.execute(text(statement))


def found(database: Database, files: FileStore, anchor: Anchor | None = None) -> str:
    """Every fault, as one text."""
    return "\n".join(verify(database, files, anchor).faults)


def test_an_honest_lab_is_sound(lab: Database, files: FileStore) -> None:
    """Deeds of every sort leave nothing to complain of, and looking changes nothing."""
    first = verify(lab, files)
    assert first.faults == ()
    assert (first.deeds, first.seq, first.files) == (7, 7, 1)
    assert verify(lab, files) == first
    assert found(lab, files, Anchor(first.seq, first.hash)) == ""


def test_an_empty_lab_is_sound(database: Database, files: FileStore) -> None:
    """Nothing was done and nothing is wrong."""
    assert verify(database, files) == Verified(0, 0, 0, 0, "", ())


def test_an_edited_record_shows(lab: Database, files: FileStore) -> None:
    """Somebody with the database open changes a wafer's oxide; the deeds still say what it was."""
    tamper(lab, "UPDATE wafer SET oxide_um = 3.5")
    assert "wafer 1 differs from what the deeds say of it: oxide_um" in found(lab, files)


def test_an_edit_hidden_by_a_later_deed_shows(lab: Database, files: FileStore) -> None:
    """What a deed found before it must be what the deed before left."""
    tamper(lab, "UPDATE operator SET name = 'Somebody Else'")
    with lab.writing("change person", operator_id=1) as writing:
        change_person(writing, 1, PersonChangeIn(name="Ada Birch-Lund", role="lead"))
    assert "operator 1 was changed outside Marver before entry 8" in found(lab, files)


def test_an_edited_device_taken_in_bulk_shows(lab: Database, files: FileStore) -> None:
    """Bulk taking keeps only a digest, which is enough."""
    tamper(lab, "UPDATE device SET nominal_um = 101 WHERE id = 7")
    assert "the 30 devices taken in hand by entry 5 are not as they were taken" in found(lab, files)


def test_a_removed_record_shows(lab: Database, files: FileStore) -> None:
    """A tool that an entry made is no longer there."""
    tamper(lab, "DELETE FROM tool")
    assert "tool 1 is gone" in found(lab, files)


def test_a_smuggled_record_shows(lab: Database, files: FileStore) -> None:
    """A lab setting that no deed made."""
    tamper(lab, "INSERT INTO lab_setting (name, value, version) VALUES ('stalled_days', '5', 1)")
    assert "lab_setting 1 is in no audit entry" in found(lab, files)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit_change SET after = replace(after, 'Birch-Lund', 'Other') WHERE seq = 6",
        "UPDATE audit_entry SET operator_id = 2 WHERE seq = 6",
        "UPDATE audit_entry SET reason = 'why not' WHERE seq = 6",
        "DELETE FROM audit_change WHERE seq = 6",
    ],
)
def test_an_edited_entry_shows(lab: Database, files: FileStore, statement: str) -> None:
    """Who did what and when is under the entry's hash."""
    tamper(lab, statement)
    assert "entry 6 (change person) is not as it was written" in found(lab, files)


def test_an_entry_taken_out_of_the_middle_shows(lab: Database, files: FileStore) -> None:
    """The numbers have a gap and the chain does not close."""
    tamper(lab, "DELETE FROM audit_change WHERE seq = 6", "DELETE FROM audit_entry WHERE seq = 6")
    assert "entry 6 missing before entry 7" in found(lab, files)


def test_a_chain_cut_short_shows_by_the_anchor(lab: Database, files: FileStore) -> None:
    """With the record undone as well the rest is sound in itself; only the number and hash noted before tell."""
    before = verify(lab, files)
    tamper(
        lab,
        "DELETE FROM audit_change WHERE seq = 7",
        "DELETE FROM audit_entry WHERE seq = 7",
        "DELETE FROM attachment",
    )
    assert found(lab, files) == ""
    assert "entry 7 of the anchor is missing; the chain ends at entry 6" in found(
        lab, files, Anchor(before.seq, before.hash)
    )
    assert "entry 6 is another one than the anchor's" in found(lab, files, Anchor(6, "0" * 64))


def test_a_changed_file_shows(lab: Database, files: FileStore) -> None:
    """Byte for byte as it came, or it is said."""
    place = next(path for path in files.folder.rglob("*") if path.is_file())
    place.write_bytes(b"0 1\n1 3\n")
    assert "file scan.txt" in found(lab, files)
    assert "no longer has its checksum" in found(lab, files)
    place.unlink()
    assert "is missing" in found(lab, files)


def test_a_device_table_that_lags_shows(lab: Database, files: FileStore) -> None:
    """The table is only a view of the records: what it says beyond them is a fault."""
    tamper(lab, "UPDATE device_facts SET patterned_outcome = 'failed' WHERE device_code = 'W1-1-0101'")
    assert "device_facts of W1-1-0101: patterned_outcome differ from the records" in found(lab, files)
    assert "patterned_outcome" in found(lab, files), "looking mended nothing"
