"""The Plan page, through HTTP."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from app.core.process.layout import layout
from app.db.models.seen import UndercutMeasurement
from app.db.session import Database
from tests.queries.small_lab import SmallLab, sites

MASK = {"mask-disc_um": "90", "mask-pitch_x_um": "400", "mask-plate_mm": "100", "mask-edge_margin_mm": "5"}
OXIDE = {"oxide-oxide_um": "2", "oxide-over_etch_percent": "0"}
GAS = {"cycles-pillar_ratio": "0.4", "cycles-disc_um": "100", "cycles-pillar_top_x_um": "80"}


def answers(client: TestClient, asked: dict[str, str]) -> dict[str, tuple[str, str]]:
    """Worked-out values of a question that is answered: name to (value, inputs)."""
    answer = client.get("/plan", params=asked)
    assert answer.status_code == 200, answer.text
    found = re.findall(r"<dt>([^<]*)</dt><dd>([^<]*)(?:<small>([^<]*)</small>)?", answer.text)
    return {name: (tidy(value), tidy(small)) for name, value, small in found}


def tidy(text: str) -> str:
    """Text with plain spaces."""
    return text.replace("\u202f", " ").replace("\u00a0", " ")


@pytest.fixture
def lab(database: Database) -> SmallLab:
    """A wafer of three discs of 90 µm: etched 1 200 s for 2 µm, undercut to pillars of 60 µm, two shots good."""
    lab = SmallLab(database)
    piece, devices = lab.patterned("W012", sites(1, 3))
    lab.step("oxide_etch", [piece], etch_s=1200.0, bath_c=20.0, end_point="dewets", etchant_ratio="5:1")
    lab.undercut([piece], cycles=10)
    for device in devices:
        lab._new(UndercutMeasurement, device_id=device, disc_um=90.0, pillar_top_x_um=60.0, pillar_top_y_um=60.0)
    sitting = lab.sitting()
    lab.shot(devices[0], sitting, "good", power_w=4.0)
    lab.shot(devices[1], sitting, "good", power_w=5.0)
    lab.shot(devices[2], sitting, "over_melted", power_w=7.0)
    return lab


def test_an_empty_lab_is_told_what_to_do_first(client: TestClient) -> None:
    """All questions with their cautions stand there, and what would fill the lab's own part."""
    text = client.get("/plan").text
    assert "Nothing is on record yet" in text
    assert text.count('class="caution"') == 7
    assert re.search(r'<a [^>]*href="/plan"', text), "the head has no word Plan"


def test_mask_layout_counts_what_fits(client: TestClient) -> None:
    """Ninety millimetres of room at a pitch of 400 µm take 225 discs of 90 µm each way."""
    asked = MASK | {"mask-array_rows": "20", "mask-array_columns": "300", "mask-undercut_um": "30"}
    found = answers(client, asked)
    assert found["Most that fit"][0] == "225 × 225"
    assert found["Pillar left"][0] == "30.0 µm"
    assert "does not fit inside the margin" in client.get("/plan", params=asked).text


@pytest.mark.parametrize(("pitch", "plate"), [(80.0, 100.0), (90.0, 100.0), (400.0, 8.0)])
def test_a_layout_that_cannot_be_is_refused(pitch: float, plate: float) -> None:
    """Discs that touch, or a margin that eats the plate, are no layout."""
    with pytest.raises(ValueError, match=r"touch|leaves nothing"):
        layout(2, 2, 90, pitch, plate, 4.0)


def test_oxide_time_by_the_published_rate(client: TestClient) -> None:
    """2 µm at 100 nm/min are 20 min; 20 to 25 °C at 0.44 eV is 1.3392 (Williams 2003, read second-hand; derived)."""
    found = answers(client, OXIDE | {"oxide-bath_c": "25", "oxide-activation_ev": "0,44", "oxide-etchant": "BHF 5:1"})
    assert found["Temperature factor"][0] == "1.339"
    assert answers(client, OXIDE)["Time to clear"][0] == "20 min 00 s"
    assert "published" in found["Rate"][1]


def test_oxide_time_by_the_labs_own_rate(lab: SmallLab, client: TestClient) -> None:
    """The lab's own etch comes before the published one, and is named."""
    lab.step("oxide_etch", [lab.patterned("W013")[0]], etch_s=600.0, end_point="timed")
    found = answers(client, OXIDE)
    assert found["Rate"] == ("100.0 nm/min", "the lab’s last")
    text = client.get("/plan", params=OXIDE).text
    assert "W012" in text
    assert "W013" not in text, "a timed etch does not say when the film was gone"


def test_cycles_are_rounded_down(client: TestClient) -> None:
    """10 µm by 1 800 Torr·s is 1 µm a cycle of 180; from 80 to 39 µm are 20.5 cycles, so 20."""
    typed = GAS | {"cycles-dose_torr_s": "1800", "cycles-cycle_s": "1 min", "cycles-xef2_torr": "3"}
    found = answers(client, typed | {"cycles-pillar_ratio": "0.39"})
    assert found["Cycles to go"][0] == "20"
    assert "rounded down from 20.50" in found["Cycles to go"][1]
    assert found["Pillar ratio then"][0] == "0.40"


def test_the_gas_of_a_pulse_is_a_ceiling(client: TestClient) -> None:
    """A litre at 3 Torr over 20 cm² takes 0.486 µm a pulse (2 XeF₂ a silicon), whatever the rate says."""
    typed = GAS | {"cycles-dose_torr_s": "1800", "cycles-cycle_s": "60", "cycles-xef2_torr": "3"}
    found = answers(client, typed | {"cycles-exposed_cm2": "20", "cycles-expansion_cm3": "1 L"})
    assert found["Ceiling of a pulse"][0] == "0.49 µm"
    assert found["Cycles to go"][0] == "41"


def test_cycles_of_a_piece_come_from_its_records(lab: SmallLab, client: TestClient) -> None:
    """?piece= alone answers: 15 µm by ten cycles, 27 wanted, eight to go; after more gas it wants a new look."""
    found = answers(client, {"piece": "w012"})
    assert found["Undercut now"][0] == "15.0 µm"
    assert found["Cycles to go"][0] == "8"
    lab.undercut([1], cycles=2)
    assert "measured before the last undercut" in client.get("/plan", params={"piece": "W012"}).text
    assert "No piece is called W999" in client.get("/plan", params={"piece": "W999"}).text


def test_sphere_and_toroid_in_both_forms(client: TestClient) -> None:
    """Known shapes: 300 µm of 125 µm fibre, and a disc of 120 µm in 2 µm oxide (derived, whole-body volume)."""
    ball = answers(client, {"sphere-cladding_um": "125", "sphere-melted_um": "0,3 mm"})
    assert ball["Sphere on its stem"][0] == "194.1 µm"
    assert ball["Sphere by volume alone"][0] == "191.6 µm"
    ring = answers(client, {"toroid-disc_um": "120", "toroid-oxide_um": "2", "toroid-outer_um": "90"})
    assert ring["Minor diameter"][0] == "8.39 µm"
    assert ring["Minor diameter, simple form"][0] == "8.40 µm"
    larger = client.get("/plan", params={"toroid-disc_um": "80", "toroid-oxide_um": "2", "toroid-outer_um": "90"})
    assert "is not smaller than its disc" in larger.text


def test_beam_at_its_centre(client: TestClient) -> None:
    """10 W in a 200 µm spot peak at 63 662 W/cm² (2P/πw²)."""
    found = answers(client, {"beam-power_w": "10", "beam-spot_um": "200", "beam-exposure_s": "2"})
    assert found["Peak intensity"][0] == "63.66 kW/cm²"
    assert found["Energy"][0] == "20.00 J"


def test_laser_settings_are_a_record(lab: SmallLab, client: TestClient) -> None:
    """Median and range of the good shots, and how far a proposal lies from all tried."""
    asked = {"laser-kind": "microtoroid", "laser-nominal_um": "92"}
    found = answers(client, asked | {"laser-power_w": "8", "laser-exposure_s": "2"})
    assert found["Power, median of the good"] == ("4.50 W", "4.00–5.00 W; n = 2 good shots, 1 session")
    assert found["Power proposed"][0] == "1.00 W above all tried"
    assert found["Nearest shot tried"][0] == "Over-melted"
    assert "a record, not advice" in client.get("/plan").text
    other = client.get("/plan", params=asked | {"laser-nominal_um": "300"})
    assert "No shot of known power" in other.text


@pytest.mark.parametrize("typed", ["soon", "-3", "1e99", "<b>", "9" * 70])
def test_bad_input_is_named_and_kept(client: TestClient, typed: str) -> None:
    """What and where is told with a link to the field; all that was typed stays."""
    answer = client.get("/plan", params={"beam-power_w": typed, "beam-spot_um": "0,2 mm"})
    assert answer.status_code == 422
    assert 'href="#f-beam-power_w"' in answer.text
    assert 'value="0,2 mm"' in answer.text
    missing = client.get("/plan", params={"beam-power_w": "5", "beam-spot_um": ""})
    assert "is missing" in missing.text
