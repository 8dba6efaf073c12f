"""What was seen: undercut and oxide measurements, inspections of some, of all with exceptions, of k of n; losses."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from app.actions.log_fate import record_losses
from app.actions.log_inspections import record_inspection
from app.actions.log_seen import record_oxide_measurement, record_undercut_measurements
from app.actions.taking import take_sites
from app.core.refusal import Refusal
from app.db import device_table
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Device, Piece
from app.db.models.seen import Defect, Finding
from app.db.session import Database
from app.queries.records import record_of
from app.schemas.log import InspectionIn, LossesIn, LossIn, MeasurementsIn, OxideIn
from tests.log_lab import LogLab

SITES = [(1, column) for column in range(1, 7)]


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab whose first wafer is undercut, with six discs of its first row in hand."""
    lab = LogLab(database)
    lab.exposed()
    with lab.deed() as w:
        take_sites(w, w.session.get_one(Piece, lab.wafer), 1, SITES, done_at=lab.ago(days=3))
    return lab


def column(lab: LogLab, name: str) -> dict[str, Any]:
    """One column of the device table by site."""
    with lab.database.reading() as session:
        rows = session.execute(select(DEVICE_FACTS.c.device_code, DEVICE_FACTS.c[name]))
        return {row[0].rsplit("-", 1)[1]: row[1] for row in rows}


def inspect(lab: LogLab, *rows: dict[str, Any], **more: Any) -> int:
    """Record an inspection of the first wafer after undercut; its id."""
    with lab.deed() as w:
        data = {"stage": "undercut", "cover": "all", "piece_id": lab.wafer, "rows": rows, **more}
        return record_inspection(w, InspectionIn.model_validate(data)).id


def measure(lab: LogLab, *rows: dict[str, Any], **more: Any) -> None:
    """Record undercut measurements on the first wafer."""
    with lab.deed() as w:
        record_undercut_measurements(w, MeasurementsIn.model_validate({"piece_id": lab.wafer, "rows": rows, **more}))


def test_a_measured_pillar_becomes_a_ratio(lab: LogLab) -> None:
    """Pillar top over disc, the mean of both axes, stands in the device table: (36 + 40)/2 over 88."""
    measure(lab, {"device": "0101", "disc_um": 88.0, "pillar_top_x_um": 36.0, "pillar_top_y_um": 40.0})
    assert column(lab, "pillar_ratio")["0101"] == pytest.approx(38 / 88)
    assert column(lab, "undercut_um")["0101"] == pytest.approx(25.0)


def test_a_pillar_outside_a_third_to_a_half_is_asked_about(lab: LogLab) -> None:
    """A pillar ratio far from common practice is confirmed; a pillar wider than its disc cannot be."""
    thin = {"device": "0101", "disc_um": 90.0, "pillar_top_x_um": 9.0}
    with pytest.raises(Refusal) as asked:
        measure(lab, thin)
    assert list(asked.value.confirmable) == [(0, "pillar_ratio")]
    assert "0.33 to 0.5 is common" in asked.value.confirmable[0, "pillar_ratio"]
    measure(lab, thin, confirmed=[(0, "pillar_ratio")])
    with pytest.raises(Refusal) as refused:
        measure(lab, {"device": "0102", "disc_um": 90.0, "pillar_top_y_um": 95.0})
    assert "does not fit" in refused.value.errors[0, "pillar_top_y_um"]


def test_an_empty_or_repeated_row_is_refused(lab: LogLab) -> None:
    """A row without any measure, or a disc named twice, is told at its row."""
    with pytest.raises(Refusal) as refused:
        measure(lab, {"device": "0101"})
    assert "Nothing was measured" in refused.value.errors[0, "disc_um"]
    with pytest.raises(Refusal) as refused:
        measure(lab, {"device": "0101", "disc_um": 90.0}, {"device": "W001-1-0101", "disc_um": 89.0})
    assert "row 1 already" in refused.value.errors[1, "device"]


def test_oxide_points_make_the_pieces_thickness(lab: LogLab) -> None:
    """The mean of the points measured replaces the nominal thickness; a fibre has no oxide layer."""
    with lab.deed() as w:
        event = record_oxide_measurement(w, OxideIn(piece_id=lab.wafer, points_um=(1.98, 2.02, 2.03)))
    with lab.database.reading() as session:
        kept = session.scalar(select(PIECE_FACTS.c.oxide_um).where(PIECE_FACTS.c.piece_id == lab.wafer))
        record = record_of(session, event.id)
    assert kept == pytest.approx(2.01)
    assert record is not None
    assert record.lines[-1].text == "2.010\u00a0µm"
    for data in (OxideIn(piece_id=lab.fibres, points_um=(2.0,)), OxideIn(piece_id=lab.wafer, points_um=())):
        with pytest.raises(Refusal), lab.deed() as w:
            record_oxide_measurement(w, data)


def test_all_seen_passes_the_rest_and_keeps_what_was_named(lab: LogLab) -> None:
    """Exceptions get their verdict, everything else in hand is good, and the record tells named from unnamed."""
    event = inspect(lab, {"device": "0102", "verdict": "reject", "defects": [{"kind": "uneven"}, {"kind": "tweezer"}]})
    assert column(lab, "undercut_outcome") == {
        "0101": "passed",
        "0102": "failed",
        "0103": "passed",
        "0104": "passed",
        "0105": "passed",
        "0106": "passed",
    }
    with lab.database.reading() as session:
        named = session.scalars(select(Device.code).join(Finding, Finding.device_id == Device.id).where(Finding.named))
        assert named.all() == ["W001-1-0102"]
        assert session.scalars(select(Defect.caused_at).order_by(Defect.id)).all() == ["undercut", "handling"]
        record = record_of(session, event)
        assert device_table.difference(session) == []
    assert record is not None
    assert ("Good", "5") in [(line.label, line.text) for line in record.lines]


def test_where_a_defect_was_caused_can_be_said(lab: LogLab) -> None:
    """The step that usually causes a defect gives way to what the person says."""
    inspect(lab, {"device": "0102", "verdict": "reject", "defects": [{"kind": "uneven", "caused_at": "oxide_etch"}]})
    assert column(lab, "defects")["0102"] == [
        {"kind": "uneven", "caused_at": "oxide_etch", "found_at": "undercut", "verdict": "reject"}
    ]


def test_k_of_n_speaks_for_the_k_only(lab: LogLab) -> None:
    """Only those named have a verdict; naming more than were seen, or seeing more than there are, is wrong."""
    inspect(lab, {"device": "0101", "verdict": "good"}, cover="sample", seen_n=3, of_n=6)
    assert [site for site, outcome in column(lab, "undercut_outcome").items() if outcome] == ["0101"]
    two = ({"device": "0101", "verdict": "good"}, {"device": "0102", "verdict": "good"})
    for seen, of in ((1, 6), (7, 6), (None, 6), (3, None), (0, 6)):
        with pytest.raises(Refusal):
            inspect(lab, *two, cover="sample", seen_n=seen, of_n=of)


def test_all_good_does_not_quietly_reinstate_a_reject(lab: LogLab) -> None:
    """What was rejected before stays so when the rest is seen good; it counts again only named and with a reason."""
    inspect(lab, {"device": "0101", "verdict": "reject"}, {"device": "0102", "verdict": "reject"}, stage="oxide_etched")
    inspect(lab, {"device": "0103", "verdict": "reject"})
    inspect(lab)
    outcome = column(lab, "undercut_outcome")
    assert outcome["0103"] == "failed"
    assert outcome["0101"] is None
    assert outcome["0104"] == "passed"
    with pytest.raises(Refusal) as refused:
        inspect(lab, {"device": "0103", "verdict": "usable"})
    assert "W001-1-0103 stood as rejected" in refused.value.errors[None, "reinstates"]
    event = inspect(lab, {"device": "0103", "verdict": "usable"}, reinstates="particle blown off")
    assert column(lab, "undercut_outcome")["0103"] == "passed"
    assert not column(lab, "undercut_first_pass")["0103"]
    with lab.database.reading() as session:
        record = record_of(session, event)
    assert record is not None
    assert record.lines[-1].text == "particle blown off"


@pytest.mark.parametrize(
    ("more", "place", "says"),
    [
        ({"rows": [{"device": "0101", "verdict": "splendid"}]}, (0, "verdict"), "Give a verdict"),
        ({"rows": [{"device": "0101", "verdict": "good"}] * 2}, (1, "device"), "named in row 1"),
        ({"rest": "reject"}, (None, "rest"), "cannot be rejects unnamed"),
        ({"stage": "melted"}, (None, "stage"), "have no stage"),
        ({"piece_id": None}, (None, "piece_id"), "which piece"),
        ({"piece_id": 2}, (None, "piece_id"), "No device of W002"),
        ({"cover": "devices"}, (None, None), "Name at least one"),
        (
            {"rows": [{"device": "0101", "verdict": "good", "outer_um": 70.0, "minor_um": 71.0}]},
            (0, "minor_um"),
            "larger",
        ),
        ({"rows": [{"device": "0101", "verdict": "good", "outer_um": -70.0}]}, (0, "outer_um"), "cannot be"),
        (
            {"rows": [{"device": "0101", "verdict": "reject", "defects": [{"kind": "odd", "caused_at": "moon"}]}]},
            (0, "caused_at"),
            "no step",
        ),
    ],
)
def test_an_inspection_that_makes_no_sense_is_refused(lab: LogLab, more: Any, place: Any, says: str) -> None:
    """Each is told at its row and field, and nothing is saved."""
    rows = more.pop("rows", [])
    with pytest.raises(Refusal) as refused:
        inspect(lab, *rows, **more)
    assert says in refused.value.errors[place]
    assert set(column(lab, "undercut_outcome").values()) == {None}


def test_a_lost_wafer_takes_its_devices_with_it(lab: LogLab) -> None:
    """One event for the wafer, none for its discs; nothing more can be done to it or to them."""
    with lab.deed() as w:
        record_losses(w, LossesIn(rows=(LossIn(what="w001", cause="dropped", found_at="undercut"),)))
    with lab.database.reading() as session:
        row = session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id == lab.wafer)).mappings().one()
    assert (row["lost_cause"], row["lost_caused_at"]) == ("dropped", "handling")
    with pytest.raises(Refusal, match="after W001 was lost"):
        lab.step("resist_strip")
    with pytest.raises(Refusal, match="its piece W001 was lost"):
        measure(lab, {"device": "0101", "disc_um": 90.0})


def test_devices_are_lost_one_by_one_and_only_once(lab: LogLab) -> None:
    """Losses come in rows; a device lost already, unknown, or named twice is told at its row."""

    def lose(*codes: str, **more: Any) -> None:
        rows = tuple(LossIn(**{"what": code, "cause": "taper", **more}) for code in codes)
        with lab.deed() as w:
            record_losses(w, LossesIn(rows=rows))

    lose("W001-1-0101", "W001-1-0102")
    assert column(lab, "lost_cause")["0102"] == "taper"
    for codes, says in (
        (("W001-1-0103", "W001-1-0101"), "after it was gone"),
        (("W001-1-0103", "W009"), "no piece and no device"),
        (("W001-1-0103", "w001-1-0103"), "named in row 1"),
    ):
        with pytest.raises(Refusal) as refused:
            lose(*codes)
        assert says in refused.value.errors[1, "what"]
    with pytest.raises(Refusal) as refused:
        lose("W001-1-0103", found_at="melted")
    assert (0, "found_at") in refused.value.errors
    assert column(lab, "lost_cause")["0103"] is None


def test_lost_discs_are_not_among_the_rest(lab: LogLab) -> None:
    """All seen speaks for what is still there."""
    with lab.deed() as w:
        record_losses(w, LossesIn(rows=(LossIn(what="W001-1-0106", cause="broken"),)))
    inspect(lab)
    assert column(lab, "undercut_verdict")["0106"] is None
    assert column(lab, "undercut_verdict")["0105"] == "good"


def test_a_rim_is_seen_only_on_discs_that_were_shot(lab: LogLab) -> None:
    """All seen at reflow speaks for the discs that were shot; one never shot is still waiting."""
    lab.shots(lab.sitting(), {"device": "0101"}, {"device": "0102"})
    inspect(lab, stage="reflowed")
    verdicts = column(lab, "reflowed_verdict")
    assert (verdicts["0101"], verdicts["0102"], verdicts["0103"]) == ("good", "good", None)
