"""The scan pages as a person uses them, without scripts: upload in two steps, judge, fit by hand, take the files."""

from __future__ import annotations

import csv
import io
import re
from html import unescape
from typing import TYPE_CHECKING, Any

import pytest

from tests.simulated_scans import Made, flat_file, make_devices, scan_file

if TYPE_CHECKING:
    from starlette.testclient import TestClient

    from app.db.session import Database

NEW = "/devices/W001-1-0101/scans/new"
BASE = {"done_at": "now", "medium": "air", "picked": "all", "_operator": "1", "_key": "0123456789abcdef"}
KNOWN = {"wavelength_nm": "1550", "tuning_sigma": "1 %"}


@pytest.fixture
def lab(client: TestClient, database: Database) -> TestClient:
    """A client of a lab with devices W001-1-0101 and W001-1-0102."""
    make_devices(database)
    return client


def look(lab: TestClient, content: bytes | None, name: str = "sweep.csv", path: str = NEW, **typed: str) -> Any:
    files = None if content is None else {"file": (name, content, "text/csv")}
    return lab.post(path, data={**BASE, "step": "look", **typed}, files=files)


def hidden(page: str, name: str) -> str:
    found = re.search(rf'<input type="hidden" name="{name}" value="([^"]*)"', page)
    assert found, f"no hidden {name}"
    return unescape(found[1])


def held(page: str) -> dict[str, str]:
    return {name: hidden(page, name) for name in ("held", "held_name", "seen")}


def keep(lab: TestClient, content: bytes, step: str = "keep", path: str = NEW, **typed: str) -> Any:
    """Both steps: look, then keep what was held."""
    shown = look(lab, content, path=path, **typed)
    assert shown.status_code == 200, shown.text
    return lab.post(path, data={**BASE, **typed, **held(shown.text), "step": step})


def number_of(response: Any) -> str:
    assert response.status_code == 303, response.text
    return re.match(r"/scans/(\d+)", response.headers["location"])[1]


def field_says(page: str, name: str) -> str:
    found = re.search(rf'id="h-{name}">(.*?)</span>', page, re.DOTALL)
    assert found, name
    return unescape(re.sub(r"<[^>]+>", "", found[1]))


def test_the_form_is_empty_and_warns(lab: TestClient) -> None:
    """Nothing measured is prefilled, and the caution stands above the form."""
    page = lab.get(NEW).text
    assert "Bare fibre ends" in page
    assert 'name="wavelength_nm" aria-describedby="h-wavelength_nm" value=""' in page


def test_what_was_understood_is_shown_before_anything_is_kept(lab: TestClient) -> None:
    """The first step shows columns, decimal mark, fit and Q, and keeps no record."""
    shown = look(lab, scan_file().replace(b",", b";").replace(b".", b","), **KNOWN)
    assert shown.status_code == 200
    assert "decimal comma" in shown.text
    assert "separated by semicolon" in shown.text
    assert "not kept yet" in shown.text
    assert "No scan has been kept yet" in lab.get("/scans").text


def test_a_scan_becomes_a_q_with_an_interval(lab: TestClient) -> None:
    """Upload, look, keep, accept: the page answers with intrinsic Q, interval, grade, shape, regime and checks."""
    scan_id = number_of(keep(lab, scan_file(Made(splitting_mhz=5.0)), "accept", **KNOWN))
    page = lab.get(f"/scans/{scan_id}").text
    for words in ("95 % interval", "Two dips", "Under-coupled", "Grade", "Accepted", "Cannot be checked", "Clear"):
        assert words in page
    assert re.search(r'class="hero">.*?1\.2\d', page, re.DOTALL)
    assert "Accepted" in lab.get("/scans").text


def test_the_held_file_outlives_a_missing_wavelength(lab: TestClient) -> None:
    """A relative axis without wavelength is told at its field; mended, the file need not be chosen again."""
    refused = look(lab, scan_file(), note="taken after lunch")
    assert refused.status_code == 422
    assert "relative" in field_says(refused.text, "wavelength_nm")
    assert "taken after lunch" in refused.text
    again = {name: hidden(refused.text, name) for name in ("held", "held_name")}
    shown = lab.post(NEW, data={**BASE, **KNOWN, **again, "step": "look"})
    assert shown.status_code == 200
    assert "sweep.csv" in shown.text


def test_columns_are_offered_where_a_file_has_more_than_two(lab: TestClient) -> None:
    """Three columns: the form lists them, and goes on with the two chosen."""
    lines = scan_file().decode().splitlines()
    content = "\n".join(f"{i},{line}" if i else f"index,{line}" for i, line in enumerate(lines)).encode()
    refused = look(lab, content, **KNOWN)
    assert refused.status_code == 422
    assert "choose the axis" in field_says(refused.text, "y")
    assert "2: detuning (MHz)" in refused.text
    again = {name: hidden(refused.text, name) for name in ("held", "held_name")}
    chosen = {"x": "detuning (MHz)", "y": "detector (V)"}
    shown = lab.post(NEW, data={**BASE, **KNOWN, **again, **chosen, "step": "look"})
    assert shown.status_code == 200, shown.text


BAD_FILES = {
    "empty": (b"", "empty"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(500), "picture"),
    "binary": (bytes(range(256)) * 20, "not text"),
    "one column": (b"\n".join(b"1.%d" % i for i in range(90)), "one column"),
    "all NaN": (b"MHz,V\n" + b"nan,nan\n" * 50, "NaN or infinite"),
    "infinite": (b"MHz,V\n" + b"".join(b"%d,inf\n" % i for i in range(50)), "NaN or infinite"),
    "constant signal": (b"MHz,V\n" + b"".join(b"%d,2\n" % i for i in range(50)), "constant"),
    "constant axis": (b"MHz,V\n" + b"".join(b"7,2.%d\n" % i for i in range(50)), "constant"),
}


@pytest.mark.parametrize("case", BAD_FILES, ids=str)
def test_a_bad_file_is_told_at_the_file_and_nothing_typed_is_lost(lab: TestClient, case: str) -> None:
    """The message stands at the file field; the wavelength typed still stands in its own."""
    content, words = BAD_FILES[case]
    refused = look(lab, content, **KNOWN)
    assert refused.status_code == 422
    assert words in field_says(refused.text, "file")
    assert 'value="1550"' in refused.text


def test_no_file_and_a_file_no_longer_held_are_told(lab: TestClient) -> None:
    """Both say to choose the file, and neither breaks."""
    assert "Choose" in field_says(look(lab, None, **KNOWN).text, "file")
    for digest in ("0" * 64, "../../etc/passwd"):
        gone = lab.post(NEW, data={**BASE, **KNOWN, "held": digest, "held_name": "x.csv", "step": "keep"})
        assert gone.status_code == 422
        assert "choose it again" in field_says(gone.text, "file")


def test_a_wrong_unit_or_number_is_told_at_its_field(lab: TestClient) -> None:
    """A unit that cannot be, and words for a number."""
    assert "THz" in field_says(look(lab, scan_file(), x_unit="THz", **KNOWN).text, "x_unit")
    refused = look(lab, scan_file(), **{**KNOWN, "input_power_uw": "a lot"})
    assert "not a number" in field_says(refused.text, "input_power_uw")
    negative = look(lab, scan_file(), **{**KNOWN, "input_power_uw": "-3"})
    assert "cannot be" in field_says(negative.text, "input_power_uw")


def test_a_scan_without_a_dip_can_be_kept_without_a_fit(lab: TestClient) -> None:
    """No resonance is an answer: shown before keeping, kept with the file, and still shown afterwards."""
    shown = look(lab, flat_file(), **KNOWN)
    assert "Keep without a fit" in shown.text
    scan_id = number_of(keep(lab, flat_file(), **KNOWN))
    page = lab.get(f"/scans/{scan_id}").text
    assert "No Q from this scan" in page
    assert "no dip stands out" in page
    assert lab.get(f"/scans/{scan_id}/result.json").status_code == 404


def test_what_changed_since_one_looked_is_shown_again_before_it_is_kept(lab: TestClient) -> None:
    """Another wavelength makes another Q: it is not kept unseen."""
    seen = held(look(lab, scan_file(), **KNOWN).text)
    again = lab.post(NEW, data={**BASE, **KNOWN, "wavelength_nm": "780", **seen, "step": "accept"})
    assert again.status_code == 200
    assert "The fit is another one now" in again.text
    assert "No scan has been kept yet" in lab.get("/scans").text


def test_the_same_form_twice_keeps_one_scan(lab: TestClient) -> None:
    """Two presses of the button lead to the same scan."""
    content = scan_file()
    first, second = keep(lab, content, **KNOWN), keep(lab, content, **KNOWN)
    assert first.headers["location"] == second.headers["location"]
    assert lab.get("/scans").text.count("/devices/W001-1-0101") == 1


def test_the_same_file_in_a_new_form_is_told(lab: TestClient) -> None:
    """The device has it already; the message names the scan."""
    scan_id = number_of(keep(lab, scan_file(), **KNOWN))
    again = keep(lab, scan_file(), **KNOWN, _key="another-form-0001")
    assert again.status_code == 409
    assert f"scan {scan_id} of" in field_says(again.text, "file")


def test_an_unusual_value_is_confirmed_on_the_form(lab: TestClient) -> None:
    """Two watts at the taper are asked about; ticked, the scan is kept."""
    typed = {**KNOWN, "input_power_uw": "2 W"}
    asked = keep(lab, scan_file(), **typed)
    assert asked.status_code == 422
    assert "Is it right?" in asked.text
    kept = lab.post(NEW, data={**BASE, **typed, **held(asked.text), "_keep": "input_power_uw", "step": "keep"})
    assert kept.status_code == 303


def test_a_mode_name_that_is_too_long_is_told_at_its_field(lab: TestClient) -> None:
    """Nothing breaks and nothing is cut off in silence."""
    refused = keep(lab, scan_file(), **KNOWN, label="m" * 41)
    assert refused.status_code == 409
    assert "at most 40" in field_says(refused.text, "label")


def test_the_original_comes_back_byte_for_byte_as_a_download(lab: TestClient) -> None:
    """Never shown in the browser, whatever it holds; its name is kept."""
    content = b"# <script>alert(1)</script>\n" + scan_file()
    scan_id = number_of(keep(lab, content, **KNOWN))
    response = lab.get(f"/scans/{scan_id}/file")
    assert response.content == content
    assert response.headers["content-disposition"].startswith('attachment; filename="sweep.csv"')
    assert response.headers["x-content-type-options"] == "nosniff"
    assert response.headers["content-type"] == "application/octet-stream"


def test_a_name_from_elsewhere_is_kept_plain_and_escaped(lab: TestClient) -> None:
    """Paths and marks in a file's name do no harm."""
    shown = look(lab, scan_file(), name="C:\\data\\<b>sweep</b> é.csv", **KNOWN)
    scan_id = number_of(lab.post(NEW, data={**BASE, **KNOWN, **held(shown.text), "step": "keep"}))
    page = lab.get(f"/scans/{scan_id}").text
    assert "<b>sweep" not in page
    assert "b&gt; é.csv" in page


def test_a_fit_by_hand_is_added_and_shown(lab: TestClient) -> None:
    """Another shape and window make fit 2; fit 1 can still be looked at."""
    scan_id = number_of(keep(lab, scan_file(Made(splitting_mhz=3.0)), **KNOWN))
    shown = re.search(r'name="shown" value="(\d+)"', lab.get(f"/scans/{scan_id}").text)[1]
    typed = {"shown": shown, "model": "single", "window_low_mhz": "−9", "window_high_mhz": "9,5", "label": "mode 1"}
    made = lab.post(f"/scans/{scan_id}/fits", data={"_operator": "1", "_key": "hand-fit-0001", **typed})
    assert made.status_code == 303
    page = lab.get(made.headers["location"]).text
    assert "Fit 2 of 2" in page
    assert "-9 to 9.5 MHz" in page
    assert "Fit 1 of 2" in lab.get(f"/scans/{scan_id}?fit={shown}").text


def test_a_window_in_wavelength_files_is_typed_as_the_plot_shows_it(lab: TestClient) -> None:
    """On an absolute axis detunings count from the fitted centre; the window is kept in the file's own unit."""
    rows = scan_file(Made(centre_mhz=4.0)).decode().splitlines()[1:]
    carrier_mhz = 299_792_458.0 / 1550.0 * 1e3
    lines = ["wavelength_nm,detector_V"]
    for row in rows:
        detuning, volts = row.split(",")
        lines.append(f"{299_792_458.0 / (carrier_mhz + float(detuning)) * 1e3:.12f},{volts}")
    scan_id = number_of(keep(lab, "\n".join(lines).encode(), tuning_sigma="0.01"))
    shown = re.search(r'name="shown" value="(\d+)"', lab.get(f"/scans/{scan_id}").text)[1]
    typed = {"shown": shown, "window_low_mhz": "-10", "window_high_mhz": "10"}
    made = lab.post(f"/scans/{scan_id}/fits", data={"_operator": "1", "_key": "hand-fit-0002", **typed})
    assert made.status_code == 303
    trace = lab.get(f"/scans/{scan_id}/trace.csv?{made.headers['location'].split('?')[1].split('&')[0]}").text
    fitted = [float(row["detuning_mhz"]) for row in csv.DictReader(io.StringIO(trace)) if row["fit"]]
    assert min(fitted) == pytest.approx(-10, abs=0.2)
    assert max(fitted) == pytest.approx(10, abs=0.2)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"window_low_mhz": "12", "window_high_mhz": "19"}, "No fit here"),
        ({"window_low_mhz": "900", "window_high_mhz": "901"}, "No sample"),
        ({"window_low_mhz": "-5"}, "two ends"),
        ({"window_low_mhz": "left"}, "not a number"),
    ],
)
def test_a_window_that_cannot_be_fitted_is_told_on_the_page(lab: TestClient, typed: dict[str, str], words: str) -> None:
    """What was typed stands there still, and the first fit too."""
    scan_id = number_of(keep(lab, scan_file(), **KNOWN))
    refused = lab.post(f"/scans/{scan_id}/fits", data={"_operator": "1", "_key": "hand-fit-0003", **typed})
    assert refused.status_code in (409, 422)
    assert words in field_says(refused.text, "window_low_mhz")
    assert f'value="{typed["window_low_mhz"]}"' in refused.text
    assert "Fit 1 of 1" in lab.get(f"/scans/{scan_id}").text


def test_a_fit_is_set_aside_by_one_tap_and_accepted_again(lab: TestClient) -> None:
    """A tapped reason is enough; without one it is refused; whoever saw the earlier state is told."""
    scan_id = number_of(keep(lab, scan_file(), "accept", **KNOWN))
    page = lab.get(f"/scans/{scan_id}").text
    action = re.search(r'action="(/fits/\d+/judgement)"', page)[1]
    seen = {"scan": scan_id, "version": hidden(page, "version"), "_operator": "1"}
    refused = lab.post(action, data={**seen, "state": "set_aside", "_key": "judge-00000001"})
    assert refused.status_code == 409
    assert "Say why" in refused.text
    aside = lab.post(action, data={**seen, "tap": "Dragged by heat", "_key": "judge-00000002"})
    page = lab.get(aside.headers["location"]).text
    assert "Set aside" in page
    assert "Dragged by heat" in page
    late = lab.post(action, data={**seen, "state": "accepted", "_key": "judge-00000003"})
    assert late.status_code == 409
    assert "Somebody else changed" in late.text


def test_a_scan_entered_by_mistake_is_voided_and_entered_again_with_its_own_file(lab: TestClient) -> None:
    """Needs a reason; voided it counts nowhere; the form comes back filled, for the right device too."""
    typed = {**KNOWN, "input_power_uw": "1.2", "label": "deep one", "note": "by the window"}
    scan_id = number_of(keep(lab, scan_file(), **typed))
    seen = {"version": hidden(lab.get(f"/scans/{scan_id}").text, "version"), "_operator": "1"}
    assert "Say why" in lab.post(f"/scans/{scan_id}/void", data={**seen, "_key": "void-form-0001"}).text
    voided = lab.post(f"/scans/{scan_id}/void", data={**seen, "why": "wrong_piece", "_key": "void-form-0002"})
    page = lab.get(voided.headers["location"]).text
    assert "This scan was voided: Wrong piece." in page
    assert "Fit by hand" not in page
    assert "No scan has been kept yet" in lab.get("/scans").text
    other = NEW.replace("0101", "0102")
    led = lab.get(f"/scans/{scan_id}/again?device=W001-1-0102").headers["location"]
    assert led == f"{other}?like={scan_id}"
    form = lab.get(led).text
    for value in ("1550.000", "0.010", "1.20", "deep one"):
        assert f'value="{value}"' in form
    assert "by the window" in form
    again = {"held": hidden(form, "held"), "held_name": hidden(form, "held_name"), **typed, "_key": "scan-form-000009"}
    shown = lab.post(other, data={**BASE, **again, "step": "look"})
    assert number_of(lab.post(other, data={**BASE, **again, **held(shown.text), "step": "accept"}))


def test_the_result_and_the_samples_can_be_had_as_data(lab: TestClient) -> None:
    """JSON as the command line prints it, and CSV with every sample; the page has lines that read both."""
    scan_id = number_of(keep(lab, scan_file(), **KNOWN))
    result = lab.get(f"/scans/{scan_id}/result.json").json()
    assert list(result)[:5] == ["file", "resonance", "points", "model", "wavelength_nm"]
    rows = list(csv.DictReader(io.StringIO(lab.get(f"/scans/{scan_id}/trace.csv").text)))
    assert len(rows) == 801
    assert float(rows[400]["fit"]) == pytest.approx(float(rows[400]["signal"]), abs=0.05)
    assert f"/scans/{scan_id}" in lab.get(f"/scans/{scan_id}").text.split("np.genfromtxt")[0]


def test_a_device_shows_its_scans_small(lab: TestClient) -> None:
    """The newest first, each with its fit, drawn from one address that a browser may keep for good."""
    number = number_of(keep(lab, scan_file(), **KNOWN))
    page = lab.get("/devices/W001-1-0101").text
    (small,) = set(re.findall(rf'href="(/scans/{number}/small[.]svg[?]fit=\d+)#fit"', page))
    drawn = lab.get(small)
    assert drawn.headers["content-type"] == "image/svg+xml"
    assert "immutable" in drawn.headers["cache-control"]
    assert 'id="samples"' in drawn.text
    assert 'id="fit"' in drawn.text
    assert len(drawn.content) < 20_000
    assert "immutable" not in lab.get(f"/scans/{number}/small.svg").headers["cache-control"]


def test_checks_that_cannot_be_made_are_folded_behind_the_others(lab: TestClient) -> None:
    """What was found and what is clear stands open; the rest is one line that says it clears nothing."""
    page = lab.get(f"/scans/{number_of(keep(lab, scan_file(), **KNOWN))}").text
    checks = page[page.index('id="checks"') :]
    opened, folded = checks.split("<details", 1)
    assert "Cannot be checked" not in opened
    assert "cannot be made here" in folded
    assert "That clears nothing" in folded


def test_earlier_and_later_scans_of_the_device_are_one_step_away(lab: TestClient) -> None:
    """By when they were taken, not by when they were logged."""
    first = number_of(keep(lab, scan_file(Made(seed=1)), **KNOWN, _key="scan-form-000001"))
    typed = {**KNOWN, "done_at": "20 min ago", "_key": "scan-form-000002"}
    shown = look(lab, scan_file(Made(seed=2)), **typed)
    before = number_of(lab.post(NEW, data={**BASE, **typed, **held(shown.text), "step": "keep"}))
    page = lab.get(f"/scans/{first}").text
    assert f'href="/scans/{before}">Earlier scan' in page
    assert "Later scan" not in page


def test_a_lost_file_is_said_and_the_figures_stay(lab: TestClient, settings: Any) -> None:
    """Without its file a scan cannot be drawn; what was fitted is still there."""
    scan_id = number_of(keep(lab, scan_file(), **KNOWN))
    for path in settings.files.rglob("*"):
        if path.is_file():
            path.unlink()
    page = lab.get(f"/scans/{scan_id}")
    assert page.status_code == 200
    assert "no longer in the lab" in page.text
    assert "95 % interval" in page.text
    assert lab.get(f"/scans/{scan_id}/file").status_code == 404


@pytest.mark.parametrize(
    "path",
    [
        "/scans/99",
        "/scans/99999999999",
        "/scans/99/file",
        "/scans/1?fit=7",
        "/devices/W999/scans/new",
        "/scans/99/trace.csv",
    ],
)
def test_what_is_not_there_is_said(lab: TestClient, path: str) -> None:
    """Unknown scans, fits and devices are a page that says so."""
    response = lab.get(path)
    assert response.status_code == 404
    assert "There is" in response.text or "No device" in response.text
