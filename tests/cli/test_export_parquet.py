"""`marver export devices --format parquet`: typed columns with label and unit, equal to the other formats."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from app.cli.main import main
from app.core.quantities import QUANTITIES
from app.core.step_catalogue import STEPS
from app.db.session import Database
from app.queries.device_parquet import quantity_of
from tests.queries.small_lab import SmallLab, sites


@pytest.fixture
def folder(database: Database) -> Path:
    """Three discs of which one was melted and measured and one rejected, and one fibre end."""
    lab = SmallLab(database)
    piece, devices = lab.patterned("W001", sites(1, 3), resist="=1+1", offset_x_um=-120.0)
    lab.step("oxide_etch", [piece])
    lab.undercut([piece])
    sitting = lab.sitting()
    lab.shot(devices[0], sitting, "good")
    lab.inspect("reflowed", {devices[1]: "reject"}, {devices[1]: ("rim_off_centre", "reflow")})
    lab.measure(devices[0], 1.23e8)
    lab.fibres("F001", 1)
    return Path(database.url.removeprefix("sqlite:///")).parent


def test_it_says_the_same_as_json(folder: Path, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """Same rows, columns and values; text is left as it is, unknown is null, defects are structures."""
    target = tmp_path / "devices.parquet"
    assert main(["export", "devices", "--format", "parquet", "-o", str(target), "--data", str(folder)]) == 0
    assert main(["export", "devices", "--format", "json", "--data", str(folder)]) == 0
    expected = json.loads(capsysbinary.readouterr().out)
    table = pq.read_table(target)
    assert table.column_names == list(expected[0])
    for got, want in zip(table.to_pylist(), expected, strict=True):
        for name, value in want.items():
            there = got[name]
            if name.endswith("_at"):
                there = None if there is None else there.strftime("%Y-%m-%dT%H:%M:%SZ")
            assert there == value, name
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith((".", "devices"))] == ["devices.parquet"]


def test_columns_are_typed_and_carry_label_and_unit(folder: Path, tmp_path: Path) -> None:
    """Types hold also where every value is null; each quantity says its unit; the file says from which change it is."""
    target = tmp_path / "devices.parquet"
    assert main(["export", "devices", "--format", "parquet", "-o", str(target), "--data", str(folder)]) == 0
    schema = pq.read_schema(target)
    kinds = {name: str(schema.field(name).type) for name in schema.names}
    assert kinds["treatment_treatment_c"] == "double"
    assert kinds["row"] == "int64"
    assert kinds["treatment_at"] == "timestamp[us, tz=UTC]"
    assert kinds["lithography_redone"] == "bool"
    for name, unit in (
        ("undercut_dose_torr_s", "Torr·s"),
        ("reflow_first_power_w", "W"),
        ("q_best_low", ""),
        ("disc_um", "µm"),
    ):
        assert schema.field(name).metadata[b"unit"].decode() == unit, name
    number, _, digest = schema.metadata[b"last_change"].decode().partition(":")
    assert int(number) > 1
    assert len(digest) == 64


def test_every_setting_of_every_step_finds_its_declaration() -> None:
    """A column's unit comes from the one declaration of its quantity, whatever step it belongs to."""
    for step in STEPS.values():
        for setting in step.settings:
            if setting.quantity is not None:
                assert quantity_of(f"{step.name}_{setting.name}") == QUANTITIES[setting.name]
    assert quantity_of("reflow_session_id") is None


def test_an_empty_lab_has_all_columns(database: Database, tmp_path: Path) -> None:
    """No device yet: a table of no rows with its schema whole."""
    folder, target = Path(database.url.removeprefix("sqlite:///")).parent, tmp_path / "none.parquet"
    assert main(["export", "devices", "--format", "parquet", "-o", str(target), "--data", str(folder)]) == 0
    table = pq.read_table(target)
    assert table.num_rows == 0
    assert "q_best" in table.column_names


def test_it_is_not_poured_into_a_terminal(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a file name and at a terminal it asks for one; into a pipe it goes."""
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert main(["export", "devices", "--format", "parquet", "--data", str(folder)]) == 2
    assert "name a file with -o" in capsys.readouterr().err
