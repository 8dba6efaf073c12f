"""Run in a copy of the checkout that has a made-up step kind: where it appears, printed as JSON."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import text
from starlette.testclient import TestClient

import app
from app.actions.log_steps import record_step
from app.actions.pieces import take_in_hand
from app.actions.scans import keep_scan, prepare_scan
from app.core.search_fields import groupings
from app.db.migrate import check, upgrade
from app.db.session import Database
from app.files import FileStore
from app.schemas.log import StepIn
from app.schemas.pieces import SitesIn, TakingIn
from app.schemas.scans import ReadingIn, ScanIn
from app.settings import Settings
from app.web.app import create_app
from tests.log_lab import LogLab
from tests.simulated_scans import Made, scan_file

READING = ReadingIn(wavelength_nm=1550.0, tuning_sigma=0.01)


def main(folder: Path) -> None:
    """Make a lab, record the step, look for it everywhere."""
    assert Path(app.__file__).is_relative_to(Path.cwd()), "the checkout, not the copy"
    folder.mkdir(mode=0o700)
    settings = Settings(data=folder)
    database = Database(settings.url)
    upgrade(database.engine)
    check(database.engine)
    lab = LogLab(database, now=datetime.now(UTC))
    lab.step("lithography", array_ids=(lab.array,), done_at=lab.ago(days=6))
    with lab.deed() as writing:
        chosen = (SitesIn(exposure_number=1, sites=((1, 1), (1, 2))),)
        take_in_hand(writing, TakingIn(piece_id=lab.wafer, chosen=chosen, done_at=lab.now - timedelta(days=5)))
    with lab.deed() as writing:
        given = {"treatment_c": 950.0, "ambient": "argon"}
        record_step(writing, StepIn(kind="soak", piece_ids=(lab.wafer,), settings=given, done_at=lab.ago(days=4)))
    prepared = prepare_scan(FileStore(folder / "files"), scan_file(Made(points=401)), READING)
    with lab.deed() as writing:
        data = ScanIn(device_code="W001-1-0101", file_name="sweep.csv", reading=READING, accept=True, done_at=lab.now)
        keep_scan(writing, data, prepared)
    with TestClient(create_app(settings), base_url="http://127.0.0.1:8000") as client:
        pages = {
            name: client.get(path).text
            for name, path in {
                "log": "/log",
                "form": "/log/soak?pieces=W001",
                "recipe kinds": "/lab/recipes",
                "recipe editor": "/lab/recipes/new?step=soak",
                "wafer": "/wafers/W001",
                "recipes": "/recipes",
                "yield": "/yield",
                "export": "/devices.csv",
                "inspection": "/log/inspection?pieces=W001",
                "history": "/history",
            }.items()
        }
    with database.reading() as session:
        row = session.execute(text("SELECT soak_treatment_c, soak_ambient, soak_count FROM device_table")).all()
    print(json.dumps({"pages": pages, "table": [list(each) for each in row], "groupings": [*groupings("microtoroid")]}))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
