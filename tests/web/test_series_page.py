"""The page of one mode: what its scans say together, its ring-downs, what limits its Q."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta
from html import unescape
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from sqlalchemy import select

from app.actions.scans import keep_scan, prepare_scan
from app.core.optics.ringdown import decay
from app.db.models.seen import RingDown
from app.files import FileStore
from app.queries.series import mode_facts
from app.schemas.scans import ReadingIn, ScanIn
from tests.simulated_scans import WAVELENGTH_NM, Made, make_devices, scan_file

if TYPE_CHECKING:
    from starlette.testclient import TestClient

    from app.db.session import Database
    from app.settings import Settings

CODE = "W001-1-0101"
MODE = f"/devices/{CODE}/resonances/TE1"
RING = f"/devices/{CODE}/ring-downs/new"
BASE = {"done_at": "now", "label": "TE1", "wavelength_nm": "1550", "_operator": "1", "_key": "0123456789abcdef"}
NOW = datetime.now(UTC)


@pytest.fixture
def lab(client: TestClient, database: Database) -> TestClient:
    """A client of a lab with devices."""
    make_devices(database)
    return client


def keep(database: Database, settings: Settings, made: Made, *, days: float = 1.0, **more: Any) -> None:
    """One scan of the mode, `days` ago."""
    reading = ReadingIn(wavelength_nm=WAVELENGTH_NM, tuning_sigma=0.01)
    prepared = prepare_scan(FileStore(settings.files), scan_file(made), reading)
    given = {"device_code": CODE, "label": "TE1", "accept": True, "done_at": NOW - timedelta(days=days), **more}
    with database.writing("keep scan", operator_id=1) as writing:
        keep_scan(writing, ScanIn(file_name=f"s{made.seed}.csv", reading=reading, **given), prepared)


def shown(lab: TestClient, path: str = MODE) -> str:
    found = lab.get(path)
    assert found.status_code == 200, found.text
    return unescape(re.sub(r"<script type=\"application/json\".*?</script>", "", found.text, flags=re.DOTALL))


def test_a_power_series_gives_the_cold_width(lab: TestClient, database: Database, settings: Settings) -> None:
    """Scans broadened by 2 % a microwatt: the page gives 1.6 + 0.2 MHz at no power, inside its interval."""
    for i, power in enumerate((2.0, 5.0, 10.0, 15.0, 20.0, 25.0)):
        made = Made(intrinsic_mhz=1.8 * (1 + 0.02 * power) - 0.2, seed=i + 1)
        keep(database, settings, made, input_power_uw=power)
    with database.reading() as session:
        facts = mode_facts(session, CODE, "te1")
    assert facts.power.at_zero.low <= 1.8 <= facts.power.at_zero.high
    page = shown(lab)
    assert "A straight line through the scans." in page
    assert "Input power / µW" in page
    assert re.search(r"Linewidth at no power.*?<b>1\.(7|8)\d? MHz", page, re.DOTALL)


def test_a_coupling_series_settles_the_coupling(lab: TestClient, database: Database, settings: Settings) -> None:
    """One mode of 1.6 MHz at five couplings, under and over: the readings are right and Q is that of 1.6 MHz."""
    for i, coupling in enumerate((0.2, 0.5, 0.9, 3.0, 5.0)):
        keep(
            database,
            settings,
            Made(coupling_mhz=coupling, seed=i + 1, half_span_mhz=60, points=1601),
            taper_position_um=i,
        )
    with database.reading() as session:
        facts = mode_facts(session, CODE, "TE1")
    assert facts.coupling.settled
    assert facts.coupling.readings == ("under",) * 3 + ("over",) * 2
    q = facts.intrinsic_q()
    assert q.low <= Made().q_intrinsic <= q.high
    assert "It settles the coupling: 2 of 5 scans are over-coupled" in shown(lab)


def test_what_a_series_lacks_is_said(lab: TestClient, database: Database, settings: Settings) -> None:
    """One scan: no series is claimed, each says what to take; the limits are there all the same."""
    keep(database, settings, Made())
    page = shown(lab)
    for says in (
        "A line takes at least 3 scans",
        "A coupling series takes at least 3",
        "Repeats begin with the second",
    ):
        assert says in page
    assert "A silica resonator of 80 µm (as drawn, not measured)" in page
    assert "glass" in page
    assert "oddly low" not in page


def test_a_q_that_is_too_good_is_noticed(lab: TestClient, database: Database, settings: Settings) -> None:
    """Two hundredths of a kilohertz at 1550 nm: beyond what the glass allows, so the axis is doubted."""
    keep(database, settings, Made(intrinsic_mhz=2e-4, coupling_mhz=2e-5, half_span_mhz=2.5e-3))
    assert "Q is too good" in shown(lab)


def test_ageing_counts_days(lab: TestClient, database: Database, settings: Settings) -> None:
    """A Q that falls from scan to scan is told as a change in 30 days."""
    for i, days in enumerate((50.0, 40.0, 30.0, 20.0, 10.0, 1.0)):
        keep(database, settings, Made(intrinsic_mhz=1.6 * math.exp((50 - days) / 100), seed=i + 1), days=days)
    with database.reading() as session:
        found = mode_facts(session, CODE, "TE1").ageing
    assert found.changes
    assert found.change_30_days.value == pytest.approx(math.exp(-0.3) - 1, abs=0.02)
    assert "Days since the first scan" in shown(lab)


def ring_file(rate_mhz: float = 1.8, heading: str = "time (ns),power (V)") -> bytes:
    """A decay of 88 ns on an offset."""
    t = np.linspace(0, 700, 350)
    y = 0.1 + np.where(t < 50, 1.0, decay(t - 50, rate_mhz)) + 0.005 * np.random.default_rng(1).standard_normal(350)
    rows = "\n".join(f"{a:.4f},{b:.6f}" for a, b in zip(t, y, strict=True))
    return f"{heading}\n{rows}\n".encode()


def send(lab: TestClient, content: bytes | None, **typed: str) -> Any:
    files = None if content is None else {"file": ("ring.csv", content, "text/csv")}
    return lab.post(RING, data={**BASE, **typed}, files=files)


def test_a_ring_down_is_kept_with_its_q(lab: TestClient, database: Database, settings: Settings) -> None:
    """Linewidth 1.8 MHz: its loaded Q, and, with a scan of that day, the intrinsic Q of 1.6 MHz."""
    keep(database, settings, Made(), days=0.1)
    kept = send(lab, ring_file())
    assert kept.status_code == 303, kept.text
    page = shown(lab, kept.headers["location"])
    assert "Ring-down kept." in page
    with database.reading() as session:
        lifetime_ns = session.scalars(select(RingDown)).one().lifetime_ns
        (line,) = mode_facts(session, CODE, "TE1").ring_downs
    assert lifetime_ns == pytest.approx(1e3 / (2 * math.pi * 1.8), rel=0.02)
    assert line.q_loaded.low <= Made().q_intrinsic * 1.6 / 1.8 <= line.q_loaded.high
    assert line.q_intrinsic.low <= Made().q_intrinsic <= line.q_intrinsic.high
    assert re.search(r"lifetime 8\d\.\d ns", shown(lab, f"/devices/{CODE}"))
    again = send(lab, ring_file(), _key="another0another0")
    assert "kept already" in again.text


@pytest.mark.parametrize(
    ("content", "typed", "says"),
    [
        (None, {}, "Choose the ring-down’s file."),
        (b"no numbers\n", {}, "numbers"),
        (ring_file(heading="time,power (V)"), {}, "in what unit its time is"),
        (ring_file(), {"response_ns": "slow"}, "no number"),
        (ring_file(), {"label": ""}, "Mode"),
    ],
)
def test_a_ring_down_that_cannot_be_is_told_and_not_kept(lab: TestClient, database: Database, content, typed, says):
    """What was typed stays on the form."""
    refused = send(lab, content, **typed)
    assert refused.status_code in (409, 422)
    assert says in unescape(refused.text)
    with database.reading() as session:
        assert session.scalar(select(RingDown.id)) is None


def test_a_ring_down_kept_by_mistake_can_be_taken_back(lab: TestClient, database: Database) -> None:
    """Its record opens, and once void it counts nowhere."""
    assert send(lab, ring_file()).status_code == 303
    with database.reading() as session:
        entry = session.scalars(select(RingDown.id)).one()
    assert "Ring-down" in shown(lab, f"/log/record/{entry}")
    typed = {"why": "mistyped", "reason": "mistyped", "_operator": "1", "_key": "5" * 16}
    voided = lab.post(f"/log/void/{entry}", data=typed)
    assert voided.status_code == 303, voided.text
    assert "No ring-down of this mode." in shown(lab)


def test_a_mode_that_is_none_is_told(lab: TestClient) -> None:
    """A page, not an error."""
    assert lab.get(f"/devices/{CODE}/resonances/TE9").status_code == 404


def test_scans_of_one_minute_say_nothing_of_ageing(lab: TestClient, database: Database, settings: Settings) -> None:
    """However their Q differ: the page says that it is too soon, and takes their mean."""
    for i in range(3):
        keep(database, settings, Made(intrinsic_mhz=1.6 + 0.3 * i, seed=i + 1), days=1 + i * 1e-5)
    page = shown(lab)
    assert "too soon to tell ageing" in page
    assert "Mean of log Q over 3 scans alike" in page
