"""`marver export devices`: the device table as CSV and JSON."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.cli.main import main
from app.core.csv_text import csv_text
from app.core.vocab import STATES
from app.db.session import Database
from tests.queries.small_lab import SmallLab, sites


@pytest.fixture
def lab(database: Database) -> SmallLab:
    """Three discs of which two were melted and one measured, and one fibre end."""
    lab = SmallLab(database)
    melt = lab.recipe("=Melt 90", "reflow")
    piece, devices = lab.patterned("W001", sites(1, 3), resist="-1+cmd", offset_x_um=-120.0)
    lab.step("oxide_etch", [piece])
    lab.undercut([piece])
    sitting = lab.sitting()
    lab.shot(devices[0], sitting, "good", recipe_version_id=melt[0])
    lab.shot(devices[1], sitting, "off_centre")
    lab.inspect("reflowed", {devices[1]: "reject"}, {devices[1]: ("rim_off_centre", "reflow")})
    lab.measure(devices[0], 1.23e8)
    lab.fibres("F001", 1)
    return lab


def exported(lab: SmallLab, capsysbinary: pytest.CaptureFixture[bytes], kind: str) -> str:
    """What the command writes on standard output."""
    folder = Path(lab.database.url.removeprefix("sqlite:///")).parent
    assert main(["export", "devices", "--format", kind, "--data", str(folder)]) == 0
    return capsysbinary.readouterr().out.decode()


def test_csv_has_a_row_a_device_with_states_settings_and_q(
    lab: SmallLab, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    """Both kinds under one header; ids are names, states are words of the vocabulary, numbers are whole."""
    rows = list(csv.DictReader(io.StringIO(exported(lab, capsysbinary, "csv"), newline="")))
    assert [row["device_code"] for row in rows] == ["F001-01", "W001-1-0101", "W001-1-0102", "W001-1-0103"]
    by = {row["device_code"]: row for row in rows}
    assert [by[c]["reflowed_state"] for c in sorted(by)] == ["", "passed", "failed", "waiting"]
    assert by["F001-01"]["prepared_state"] == "not_looked_at"
    assert {row["patterned_state"] for row in rows} <= {*STATES, ""}
    assert float(by["W001-1-0101"]["q_best"]) == 1.23e8
    assert by["W001-1-0102"]["defects"] == "Malformed rim: off-centre beam"
    assert by["W001-1-0101"]["undercut_dose_torr_s"] == "3600.0"
    assert by["W001-1-0101"]["row"] == "1"
    assert by["W001-1-0101"]["lithography_operator"] == "AB"
    assert not [name for name in rows[0] if name.endswith("_event_id")]


def test_csv_defuses_formulas_and_leaves_numbers_alone(
    lab: SmallLab, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    """Text that begins like a formula gets an apostrophe; a negative offset stays a number."""
    rows = list(csv.DictReader(io.StringIO(exported(lab, capsysbinary, "csv"), newline="")))
    row = next(row for row in rows if row["device_code"] == "W001-1-0101")
    assert row["reflow_recipe_version"] == "'=Melt 90, version 1"
    assert row["lithography_resist"] == "'-1+cmd"
    assert row["lithography_offset_x_um"] == "-120.0"


def test_json_keeps_null_and_lists(lab: SmallLab, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """An array of objects; unknown is null, defects are objects, text is left as it is."""
    rows = json.loads(exported(lab, capsysbinary, "json"))
    by = {row["device_code"]: row for row in rows}
    assert by["W001-1-0103"]["q_best"] is None
    assert by["W001-1-0101"]["reflow_recipe_version"] == "=Melt 90, version 1"
    assert by["W001-1-0102"]["defects"] == [
        {"kind": "rim_off_centre", "caused_at": "reflow", "found_at": "reflowed", "verdict": "reject"}
    ]
    assert by["W001-1-0101"]["reflow_at"].endswith("Z")


def test_file_is_written_whole(lab: SmallLab, tmp_path: Path) -> None:
    """`-o` writes the file and leaves nothing else behind."""
    folder = Path(lab.database.url.removeprefix("sqlite:///")).parent
    target = tmp_path / "out" / "devices.csv"
    target.parent.mkdir()
    assert main(["export", "devices", "-o", str(target), "--data", str(folder)]) == 0
    assert target.read_text(encoding="utf-8").startswith("device_code,device_kind,purpose,")
    assert [each.name for each in target.parent.iterdir()] == ["devices.csv"]


@pytest.mark.embedded
def test_bad_usage_is_one_line_and_exit_2(lab: SmallLab, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No lab, an unknown format, another thing to export, a folder as the file: each one clear line."""
    folder = str(Path(lab.database.url.removeprefix("sqlite:///")).parent)
    for words in (
        ["devices", "--data", str(tmp_path / "nowhere")],
        ["devices", "--format", "xlsx", "--data", folder],
        ["wafers", "--data", folder],
        ["devices", "-o", str(tmp_path), "--data", folder],
        ["devices", "-o", str(tmp_path / "no" / "such" / "f.csv"), "--data", folder],
    ):
        assert main(["export", *words]) == 2
        said = capsys.readouterr().err
        assert len(said.strip().splitlines()) == 1
        assert said.startswith("marver export: ")


def test_empty_lab_exports_a_header(database: Database, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """No device yet: the header alone."""
    lab = SmallLab(database)
    assert exported(lab, capsysbinary, "csv").count("\r\n") == 1


@given(st.lists(st.one_of(st.text(), st.floats(allow_nan=False, allow_infinity=False), st.integers()), max_size=5))
def test_no_cell_begins_a_formula_and_every_value_comes_back(row: list[str | float | int]) -> None:
    """Read again as CSV, text is itself or itself behind an apostrophe, numbers are equal."""
    text = csv_text([str(n) for n in range(len(row))], [row])
    back = list(csv.reader(io.StringIO(text, newline="")))[1:]
    got = back[0] if back else []
    for value, cell in zip(row, got, strict=bool(got)):
        if isinstance(value, str):
            assert cell in (value, f"'{value}")
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
        else:
            assert float(cell) == float(value)
