"""Folders of scan files into the records: `marver import scans`, `marver follow`, `marver refit`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select

from app.actions.intake import measure_now
from app.cli.follow import Watch
from app.cli.main import main
from app.db.models.events import Event
from app.db.models.material import Device
from app.db.models.seen import Attachment, Resonance, ResonanceFit, Scan
from app.files import FileStore
from app.queries.verify import verify
from tests.simulated_scans import Made, flat_file, make_devices, scan_file

if TYPE_CHECKING:
    from app.db.session import Database
    from app.settings import Settings

KNOWN = ("--wavelength-nm", "1550", "--tuning-sigma", "0.01", "--workers", "1")


@dataclass
class FolderLab:
    """A lab with two devices, and a folder an instrument saves to."""

    database: Database
    data: Path
    folder: Path

    def save(self, name: str, content: bytes | None = None, **made: float) -> None:
        self.folder.joinpath(name).write_bytes(scan_file(Made(**made)) if content is None else content)

    def marver(self, *words: str) -> int:
        return main([*words, "--data", str(self.data)])

    def bring(self, *words: str) -> int:
        return self.marver("import", "scans", str(self.folder), *KNOWN, *words)

    def count(self, model: type) -> int:
        with self.database.reading() as session:
            return session.scalar(select(func.count()).select_from(model)) or 0

    def kept(self) -> list[tuple[str, str, str]]:
        """(device, mode, file) of every scan with a fit, by entry."""
        with self.database.reading() as session:
            rows = session.execute(
                select(Device.code, Resonance.label, Attachment.file_name)
                .select_from(ResonanceFit)
                .join(Scan, Scan.id == ResonanceFit.scan_id)
                .join(Resonance, Resonance.id == ResonanceFit.resonance_id)
                .join(Device, Device.id == Scan.device_id)
                .join(Attachment, Attachment.id == Scan.attachment_id)
                .order_by(ResonanceFit.id)
            ).all()
            return [tuple(row) for row in rows]


@pytest.fixture
def lab(database: Database, settings: Settings, tmp_path: Path) -> FolderLab:
    """The folder is empty."""
    make_devices(database)
    folder = tmp_path / "scope"
    folder.mkdir()
    return FolderLab(database, settings.data, folder)


def test_a_folder_is_kept_whole_with_the_right_devices_and_modes(lab: FolderLab, capsys):
    """Names say device, mode and power; a dip is fitted, one file has none and is kept as a scan without a fit."""
    lab.save("W001-1-0101_m1_2uW.csv", seed=1)
    lab.save("W001-1-0101_m1_10uW.csv", seed=2)
    lab.save("W001-1-0102_m1_2uW.csv", seed=3, splitting_mhz=6.0)
    lab.save("W001-1-0102_m2_2uW.csv", flat_file())
    assert lab.bring("--pattern", "{device}_{mode}_{power_uw}uW.csv", "--accept") == 0
    assert lab.kept() == [
        ("W001-1-0101", "m1", "W001-1-0101_m1_2uW.csv"),
        ("W001-1-0101", "m1", "W001-1-0101_m1_10uW.csv"),
        ("W001-1-0102", "m1", "W001-1-0102_m1_2uW.csv"),
    ]
    with lab.database.reading() as session:
        assert session.scalars(select(Scan.input_power_uw).order_by(Scan.id)).all() == [2, 10, 2, 2]
        assert set(session.scalars(select(ResonanceFit.state))) == {"accepted"}
        found = verify(lab.database, FileStore(lab.data / "files"))
    assert not found.faults
    assert "4 scans kept." in capsys.readouterr().out


def test_what_cannot_be_kept_is_listed_and_the_rest_is_one_deed(lab: FolderLab, capsys):
    """A strange name, no numbers, an unknown unit: each with its reason; the two good ones are kept together."""
    lab.save("W001-1-0101_a.csv", seed=1)
    lab.save("W001-1-0102_b.csv", seed=2)
    lab.save("new3.csv", seed=3)
    lab.save("W001-1-0101_photo.csv", b"not a table at all\n")
    before = lab.count(Event)
    assert lab.bring() == 1
    said = capsys.readouterr().out
    assert "No device of this lab is named in “new3.csv”" in said
    assert "2 scans kept, 2 refused." in said
    assert lab.count(Event) == before + 2
    assert len({path.name for path in (lab.data / "files").rglob("*") if path.is_file()}) == 2


def test_a_dry_run_keeps_nothing_and_says_what_would_be(lab: FolderLab, capsys):
    """No event, no file in the store."""
    lab.save("W001-1-0101_a.csv")
    before = lab.count(Event)
    assert lab.bring("--dry-run") == 0
    assert lab.count(Event) == before
    assert not [path for path in (lab.data / "files").rglob("*") if path.is_file()]
    assert "1 scan would be kept." in capsys.readouterr().out


def test_a_file_is_never_kept_twice(lab: FolderLab, capsys):
    """The same folder again, the same file under another name, and a copy within one batch."""
    lab.save("W001-1-0101_a.csv")
    assert lab.bring() == 0
    lab.save("W001-1-0102_copy.csv")
    assert lab.bring() == 0
    assert lab.count(Scan) == 1
    assert "2 kept already" in capsys.readouterr().out
    lab.save("W001-1-0101_b.csv", seed=9)
    lab.save("W001-1-0102_b.csv", seed=9)
    assert lab.bring() == 0
    assert lab.count(Scan) == 2


def test_a_row_the_rules_refuse_leaves_the_others_whole(lab: FolderLab, capsys):
    """A mode that lies in air is not also one in water."""
    lab.save("W001-1-0101_m1.csv", seed=1)
    assert lab.bring("--pattern", "{device}_{mode}.csv") == 0
    lab.folder.joinpath("W001-1-0101_m1.csv").unlink()
    lab.save("W001-1-0101_M1.csv", seed=2)
    lab.save("W001-1-0102_m1.csv", seed=3)
    assert lab.bring("--pattern", "{device}_{mode}.csv", "--medium", "water") == 1
    assert lab.count(Scan) == 2
    assert "it is another mode" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--pattern", "{what}"), "no placeholder"),
        (("--device", "W999"), "no device W999"),
        (("--person", "XY"), "there are KLM"),
    ],
)
def test_an_option_that_cannot_be_is_told_in_one_line(lab: FolderLab, capsys, words, says):
    """Exit 2, one line, nothing kept."""
    lab.save("W001-1-0101_a.csv")
    assert lab.bring(*words) == 2
    said = capsys.readouterr().err
    assert says in said
    assert said.count("\n") == 1


def test_a_followed_file_binds_to_what_is_being_measured(lab: FolderLab, capsys):
    """A scan named new3 goes to the chosen device and mode, with the settings chosen there."""
    with lab.database.writing("measuring now", operator_id=1) as writing:
        reading = {"wavelength_nm": 1550.0, "tuning_sigma": 0.01}
        measure_now(writing, "W001-1-0102", "TE1", reading, {"input_power_uw": 5.0})
    lab.save("new3.csv")
    assert lab.marver("follow", str(lab.folder), "--once", "--every", "0.05") == 0
    assert lab.kept() == [("W001-1-0102", "TE1", "new3.csv")]
    assert "kept as scan" in capsys.readouterr().out
    assert lab.marver("follow", str(lab.folder), "--once", "--every", "0.05") == 0
    assert lab.count(Scan) == 1


def test_a_followed_file_without_a_home_is_told_and_left(lab: FolderLab, capsys):
    """Nothing chosen, no code in the name."""
    lab.save("new3.csv")
    lab.save("W001-1-0101 ring.csv", seed=2)
    assert lab.marver("follow", str(lab.folder), "--once", "--every", "0.05", *KNOWN[:4]) == 0
    assert [row[0] for row in lab.kept()] == ["W001-1-0101"]
    assert "Choose what is being measured" in capsys.readouterr().out
    assert lab.folder.joinpath("new3.csv").exists()


def test_a_file_is_taken_when_it_has_stopped_growing_with_what_was_chosen_when_it_came(tmp_path: Path):
    """Half a file is never read; a choice made while it grows is for the next one."""
    chosen = ["first"]
    watch = Watch(tmp_path)
    file = tmp_path / "new.csv"
    file.write_bytes(b"1,2\n")
    assert watch.look(lambda: chosen[0]) == []
    file.write_bytes(b"1,2\n3,4\n")
    chosen[0] = "second"
    assert watch.look(lambda: chosen[0]) == []
    assert watch.look(lambda: chosen[0]) == [(file, "first")]
    assert watch.look(lambda: chosen[0]) == []
    file.write_bytes(b"5,6\n7,8\n9,1\n")
    watch.look(lambda: chosen[0])
    assert watch.look(lambda: chosen[0]) == [(file, "second")]


def test_refit_adds_rows_and_changes_nothing_that_was_accepted(lab: FolderLab, capsys):
    """On two processes: one new fit for each mode of each scan, not judged yet; the same numbers as before."""
    for name, seed in (("W001-1-0101_a.csv", 1), ("W001-1-0101_b.csv", 2), ("W001-1-0102_c.csv", 3)):
        lab.save(name, seed=seed)
    assert lab.bring("--accept") == 0
    assert lab.marver("refit", "--workers", "2") == 0
    with lab.database.reading() as session:
        rows = session.execute(
            select(ResonanceFit.scan_id, ResonanceFit.state, ResonanceFit.q_intrinsic).order_by(ResonanceFit.id)
        ).all()
    assert [row.state for row in rows] == ["accepted"] * 3 + ["proposed"] * 3
    assert [row.q_intrinsic for row in rows[:3]] == pytest.approx([row.q_intrinsic for row in rows[3:]], rel=1e-9)
    assert "3 fits added" in capsys.readouterr().out


def test_refit_takes_only_what_was_asked_for(lab: FolderLab, capsys):
    """By device, by judgement, by version; a code that is none is told."""
    lab.save("W001-1-0101_a.csv", seed=1)
    lab.save("W001-1-0102_b.csv", seed=2)
    assert lab.bring() == 0
    assert lab.marver("refit", "--only", "W001-1-0102", "--workers", "1") == 0
    assert lab.count(ResonanceFit) == 3
    assert lab.marver("refit", "--only", "accepted", "--workers", "1") == 0
    assert lab.marver("refit", "--only", "older", "--workers", "1") == 0
    assert lab.count(ResonanceFit) == 3
    assert lab.marver("refit", "--only", "W001", "--dry-run", "--workers", "1") == 0
    assert lab.count(ResonanceFit) == 3
    assert lab.marver("refit", "--only", "W777") == 2
    assert "no device or piece W777" in capsys.readouterr().err
