"""Whatever is done, in whatever order and by whom: the lab stays sound, and what is refused changes nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from sqlalchemy import func, select

from app.actions.pieces import take_in_hand
from app.db.models.audit import AuditEntry
from app.db.session import Database
from app.files import FileStore
from app.schemas.pieces import SitesIn, TakingIn
from tests.lab_faults import faults_of
from tests.log_lab import LogLab
from tests.random_lab import RandomWriter

LONG = os.environ.get("MARVER_TEST_LONG") == "1"
SEEDS = range(12) if LONG else range(2)
DEEDS = 600 if LONG else 70
ROOT = Path(__file__).parents[2]


def head(database: Database) -> tuple[int, str]:
    """Number and hash of the last audit entry."""
    with database.reading() as session:
        row = session.execute(select(AuditEntry.seq, AuditEntry.hash).order_by(AuditEntry.seq.desc()).limit(1)).one()
        return row.seq, row.hash


def started(database: Database, files: FileStore, seed: int, name: str = "A") -> RandomWriter:
    """A writer in a lab that has some wafers and fibres; each has something to begin with."""
    lab = LogLab(database)
    lab.exposed()
    with lab.deed() as w:
        sites = tuple((row, column) for row in range(1, 7) for column in range(1, 5))
        chosen = (SitesIn(exposure_number=1, sites=sites),)
        take_in_hand(w, TakingIn(piece_id=lab.wafer, chosen=chosen, done_at=lab.ago(days=4)))
        take_in_hand(w, TakingIn(piece_id=lab.fibres, ends=(1, 2, 3), done_at=lab.ago(days=9)))
    lab.sitting()
    return RandomWriter(database, files, seed, name)


def one_entry_each(database: Database, writer: RandomWriter) -> list[str]:
    """Deeds whose audit entries are not exactly one where saved and none where refused."""
    with database.reading() as session:
        entries = dict(session.execute(select(AuditEntry.deed, func.count()).group_by(AuditEntry.deed)).all())
    wrong = [f"{deed}: {entries.get(deed, 0)} entries" for deed in writer.saved if entries.get(deed, 0) != 1]
    return wrong + [f"{deed}: refused, yet written" for deed, _ in writer.refused if deed in entries]


@pytest.mark.parametrize("seed", SEEDS)
def test_random_deeds_leave_a_sound_lab(either_database: Database, tmp_path: Path, seed: int) -> None:
    """After any deeds: table as rebuilt, chain and rows sound, nothing impossible; a refusal leaves no trace."""
    files = FileStore(tmp_path / "files")
    writer = started(either_database, files, seed)
    for number in range(DEEDS):
        before, refusals = head(either_database), len(writer.refused)
        writer.deed(number)
        if len(writer.refused) > refusals:
            assert head(either_database) == before, writer.refused[-1]
        if LONG and number % 50 == 49:
            assert faults_of(either_database, files) == [], writer.saved[-60:]
    assert faults_of(either_database, files) == []
    assert one_entry_each(either_database, writer) == []
    assert len(writer.saved) > DEEDS / 4
    assert writer.refused


@pytest.mark.parametrize("seed", SEEDS)
def test_two_people_at_once_leave_a_sound_lab(either_database: Database, tmp_path: Path, seed: int) -> None:
    """The same with two writers in threads, whose deeds fall between one another's."""
    files = FileStore(tmp_path / "files")
    writers = [started(either_database, files, seed), RandomWriter(either_database, files, seed + 100, "B")]
    wrong: list[BaseException] = []

    def work(writer: RandomWriter) -> None:
        try:
            writer.work(DEEDS // 2)
        except BaseException as error:
            wrong.append(error)

    threads = [threading.Thread(target=work, args=(writer,)) for writer in writers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert faults_of(either_database, files) == []
    assert [one_entry_each(either_database, writer) for writer in writers] == [[], []]


WORK = """
import json, sys
from pathlib import Path
from app.db.session import Database
from app.files import FileStore
from app.schemas.pieces import SitesIn, TakingIn
from tests.random_lab import RandomWriter
url, files, seed, deeds, name = sys.argv[1:]
writer = RandomWriter(Database(url), FileStore(Path(files)), int(seed), name)
writer.work(int(deeds))
print(json.dumps([writer.saved, writer.refused]))
"""


def test_two_processes_at_once_leave_a_sound_lab(either_database: Database, tmp_path: Path) -> None:
    """The same with two processes on one database, held apart by its own lock alone."""
    files = FileStore(tmp_path / "files")
    started(either_database, files, 0)
    running = [
        subprocess.Popen(
            [
                sys.executable,
                "-c",
                WORK,
                either_database.url,
                str(files.folder),
                str(seed),
                str(DEEDS // 2),
                name,
            ],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for seed, name in ((1, "A"), (2, "B"))
    ]
    told = [(process, *process.communicate(timeout=600)) for process in running]
    for process, out, errors in told:
        assert process.returncode == 0, errors
        writer = RandomWriter(either_database, files, 0)
        writer.saved, writer.refused = json.loads(out)
        assert one_entry_each(either_database, writer) == []
        assert len(writer.saved) > DEEDS / 10
    assert faults_of(either_database, files) == []
