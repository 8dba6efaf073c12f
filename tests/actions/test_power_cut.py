"""A process killed in the middle of a save: nothing is lost that was saved, nothing is half-saved, the chain holds."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import func, select

from app.db.models.audit import AuditEntry, Submission
from app.db.models.events import Event
from app.db.models.material import Device
from app.db.session import Database
from app.files import FileStore
from app.queries.verify import verify
from app.settings import Settings
from tests.log_lab import LogLab

ROOT = Path(__file__).resolve().parents[2]
CUT = """
import os, signal, sys
from app.actions.log_reflow import record_shots
from app.db.session import Database
from app.files import FileStore
from app.queries.verify import verify
from app.schemas.log import ShotIn, ShotsIn
url, sitting, cut_at = sys.argv[1], int(sys.argv[2]), sys.argv[3]
shot = {"dialled": 4.0, "dial_unit": "W", "exposure_s": 2.0, "outcome": "good"}
rows = tuple(ShotIn(device=f"01{n:02d}", **shot) for n in range(1, 9))
def cut(): os.kill(os.getpid(), signal.SIGKILL)
with Database(url).writing("record shots", operator_id=1, key="power-cut", body={"rows": 8}) as writing:
    if cut_at == "before commit":
        close = writing.close
        writing.close = lambda: (close(), cut())
    record_shots(writing, ShotsIn(session_id=sitting, piece_id=1, rows=rows))
    if cut_at == "amid the rows":
        cut()
cut()
"""


@pytest.mark.parametrize("cut_at", ["amid the rows", "before commit", "after commit"])
def test_a_power_cut_leaves_all_or_nothing(database: Database, settings: Settings, cut_at: str) -> None:
    """Killed amid its rows or before its commit a batch is not there at all and may be sent again; after it, whole."""
    lab = LogLab(database)
    lab.exposed()
    sitting = lab.sitting()
    with database.reading() as session:
        before = session.scalar(select(func.count()).select_from(AuditEntry))
    done = subprocess.run(
        [sys.executable, "-c", CUT, settings.url, str(sitting), cut_at], cwd=ROOT, capture_output=True, check=False
    )
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()
    expected = 8 if cut_at == "after commit" else 0
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Device)) == expected
        assert session.scalar(select(func.count()).select_from(Event).where(Event.kind == "reflow")) == expected
        assert session.scalar(select(func.count()).select_from(Submission)) == (1 if expected else 0)
        entries = session.scalar(select(func.count()).select_from(AuditEntry))
        assert (entries or 0) - (before or 0) == (1 if expected else 0)
    assert verify(database, FileStore(settings.files)).faults == ()
    with database.writing("record shots", operator_id=1, key="power-cut", body={"rows": 8}) as writing:
        assert writing.answered_before is (expected == 8)
