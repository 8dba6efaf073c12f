"""Reflow sessions and shots: watts by the calibration then valid, numbering, taking in hand, and what is refused."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from app.core.refusal import Refusal
from app.db import device_table
from app.db.models.facts import DEVICE_FACTS
from app.db.models.material import Device
from app.db.models.people import ToolEvent
from app.db.session import Database
from app.queries.log_sessions import next_to_shoot, session_facts, shots_of
from tests.log_lab import LogLab


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab whose first wafer is ready for the laser."""
    lab = LogLab(database)
    lab.exposed()
    return lab


def row_of(lab: LogLab, code: str) -> Any:
    """The device's row of the device table."""
    with lab.database.reading() as session:
        return session.execute(select(DEVICE_FACTS).where(DEVICE_FACTS.c.device_code == code)).mappings().one()


def test_a_shot_takes_its_site_in_hand(lab: LogLab) -> None:
    """Logging a shot on a site nobody had in hand makes it a candidate; a power test makes it a test device."""
    lab.shots(lab.sitting(), {"device": "0203", "outcome": "good"}, {"device": "W001-1-0204", "purpose": "power_test"})
    assert row_of(lab, "W001-1-0203")["purpose"] == "candidate"
    assert row_of(lab, "W001-1-0203")["reflowed_outcome"] == "passed"
    assert row_of(lab, "W001-1-0204")["purpose"] == "test"


def test_watts_follow_the_calibration_valid_at_the_shot(lab: LogLab) -> None:
    """Per cent become watts by the latest calibration before the shot; watts stand; without one none is claimed."""
    with lab.deed() as w:
        for value, done, until in ((0.10, lab.ago(minutes=30), None), (0.5, lab.now + timedelta(days=1), None)):
            w.add(
                ToolEvent(
                    tool_id=lab.laser,
                    kind="calibration",
                    done_at=done,
                    logged_at=lab.now,
                    what="w_per_dial",
                    value=value,
                    unit="%",
                    valid_until=until,
                )
            )
    shots = lab.shots(
        lab.sitting(),
        {"device": "0101", "done_at": lab.ago(minutes=50)},
        {"device": "0102", "done_at": lab.ago(minutes=10)},
        {"device": "0103", "dialled": 5.5, "dial_unit": "W"},
        {"device": "0104", "dialled": 3.0, "dial_unit": "V"},
    )
    assert [shot.power_w for shot in shots] == [pytest.approx(5.4), pytest.approx(4.5), 5.5, None]


def test_an_overdue_calibration_gives_no_watts(lab: LogLab) -> None:
    """Watts are not worked out from a calibration that had run out."""
    lab.now += timedelta(days=61)
    (shot,) = lab.shots(lab.sitting(), {"device": "0101"})
    assert shot.power_w is None


def test_shots_on_one_device_count_up(lab: LogLab) -> None:
    """The second shot on a disc is its second, in the same batch or another session; the last outcome stands."""
    first = lab.shots(lab.sitting(), {"device": "0101", "outcome": "not_closed"}, {"device": "0101", "outcome": "good"})
    again = lab.shots(lab.sitting(), {"device": "W001-1-0101", "purpose": "re_melt", "outcome": "off_centre"})
    assert [shot.sequence for shot in (*first, *again)] == [1, 2, 3]
    assert row_of(lab, "W001-1-0101")["reflowed_outcome"] == "failed"
    assert row_of(lab, "W001-1-0101")["reflow_shots"] == 3


def test_session_page_works_out_what_each_shot_put_on_the_sample(lab: LogLab) -> None:
    """Intensity, fluence and energy follow from watts, spot and time: 2P/πw² of 5.4 W in 200 µm is 34.4 kW/cm²."""
    sitting_id = lab.sitting()
    lab.shots(sitting_id, {"device": "0101", "exposure_s": 2.0, "outcome": "good"}, recipe_version_id=lab.melt)
    with lab.database.reading() as session:
        sitting = session_facts(session, sitting_id)
        assert sitting is not None
        (shot,) = shots_of(session, sitting)
        following = next_to_shoot(session, lab.wafer, 5)
    assert shot.beam.intensity_kw_cm2 == pytest.approx(34.38, rel=1e-3)
    assert shot.beam.energy_j == pytest.approx(10.8)
    assert shot.departs == {"exposure_s": 3.0}
    assert following == []


def test_fibre_ends_are_shot_by_their_number(lab: LogLab) -> None:
    """On a fibre batch `5` names its fifth end, which becomes a microsphere in hand."""
    lab.step("fibre_preparation", lab.fibres, done_at=lab.ago(days=1))
    lab.shots(lab.sitting(), {"device": "5", "outcome": "good"}, {"device": "F001-06"}, piece_id=lab.fibres)
    assert row_of(lab, "F001-05")["device_kind"] == "microsphere"
    assert row_of(lab, "F001-05")["melted_outcome"] == "passed"


@pytest.mark.parametrize(
    ("rows", "place", "says"),
    [
        ([{"device": "0101"}, {"device": "9999"}], (1, "device"), "No piece holds the site"),
        ([{"device": "nonsense"}], (0, "device"), "no device, site or fibre end"),
        ([{"device": "F001-99"}], (0, "device"), "no end 99"),
        ([{"device": "F001-03"}], (0, "device"), "is on F001, not on W001"),
        ([{"device": "W002"}], (0, "device"), "is a piece"),
        ([{"device": "0101", "exposure_s": -1.0}], (0, "exposure_s"), "cannot be"),
        ([{"device": "0101", "dialled": 5.0, "dial_unit": None}], (0, "dialled"), "Say the unit"),
        ([{"device": "0101", "dial_unit": "mW"}], (0, "dialled"), "The dial reads"),
        ([{"device": "0101", "outcome": "splendid"}], (0, "outcome"), "no outcome"),
        ([{"device": "0101", "purpose": "fun"}], (0, "purpose"), "no purpose"),
    ],
)
def test_a_bad_row_is_refused_in_its_place(lab: LogLab, rows: Any, place: Any, says: str) -> None:
    """A batch is saved whole or not at all; what is wrong is said at its row and field, and no site was taken."""
    with pytest.raises(Refusal) as refused:
        lab.shots(lab.sitting(), *rows)
    assert says in refused.value.errors[place]
    with lab.database.reading() as session:
        assert session.scalars(select(Device)).all() == []


def test_a_disc_that_is_gone_takes_no_further_shot(lab: LogLab) -> None:
    """After a shot that took the disc away another one is impossible, in the same batch too."""
    with pytest.raises(Refusal) as refused:
        lab.shots(lab.sitting(), {"device": "0101", "outcome": "gone"}, {"device": "0101", "outcome": "good"})
    assert "after it was gone" in refused.value.errors[1, "device"]


def test_shots_need_a_session_that_stands_and_come_after_it_began(lab: LogLab) -> None:
    """Shots belong to a known session and cannot come before it."""
    with pytest.raises(Refusal, match="not known here"):
        lab.shots(4711, {"device": "0101"})
    with pytest.raises(Refusal) as refused:
        lab.shots(lab.sitting(), {"device": "0101", "done_at": lab.ago(days=1)})
    assert (0, "done_at") in refused.value.errors
    with pytest.raises(Refusal, match="future"):
        lab.sitting(done_at=lab.now + timedelta(hours=1))


def test_unusual_exposures_are_asked_about_row_by_row(lab: LogLab) -> None:
    """Confirming one unusual row leaves the other open; a value confirmed for the version is not asked about again."""
    rows = ({"device": "0101", "exposure_s": 40.0}, {"device": "0102", "exposure_s": 50.0})
    sitting = lab.sitting()
    with pytest.raises(Refusal) as asked:
        lab.shots(sitting, *rows, recipe_version_id=lab.melt, confirmed=frozenset({(0, "exposure_s")}))
    assert list(asked.value.confirmable) == [(1, "exposure_s")]
    both = frozenset({(0, "exposure_s"), (1, "exposure_s")})
    lab.shots(sitting, *rows, recipe_version_id=lab.melt, confirmed=both)
    lab.shots(sitting, {"device": "0103", "exposure_s": 45.0}, recipe_version_id=lab.melt)
    with lab.database.reading() as session:
        assert device_table.difference(session) == []
