"""People, tools, lots, masks and settings: what is kept, and what is refused with which words."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.actions.lab import change_lab, set_range
from app.actions.lots import change_lot, register_lot
from app.actions.masks import change_mask, register_mask
from app.actions.people import change_person, register_person
from app.actions.tools import change_tool, record_tool_event, register_tool, void_tool_event
from app.core.mask_layout import faults, overlap
from app.core.properties import read_calibration
from app.core.quantities import QUANTITIES
from app.core.reading import ReadError
from app.core.refusal import Refusal
from app.core.sites import Array
from app.queries.lab import lab_facts, quantities_here
from app.queries.masks import mask_facts
from app.queries.people import people_logging
from app.queries.tools import tool_list
from app.schemas.lab import LabIn, RangeIn
from app.schemas.lots import LotChangeIn, LotIn
from app.schemas.masks import ArrayIn, MaskChangeIn, MaskIn
from app.schemas.people import PersonChangeIn, PersonIn
from app.schemas.tools import ToolChangeIn, ToolEventIn, ToolIn
from tests.db.small_lab import with_person, with_tool

if TYPE_CHECKING:
    from app.db.session import Database


def do(database: Database, act: Callable[..., Any], *given: Any, who: int | None = None) -> Any:
    """Do one deed; returns what it gives."""
    with database.writing("deed", operator_id=who) as writing:
        return act(writing, *given)


def refusal(database: Database, act: Callable[..., Any], *given: Any, who: int | None = None) -> Refusal:
    """The Refusal a deed meets."""
    with pytest.raises(Refusal) as refused:
        do(database, act, *given, who=who)
    return refused.value


# --- people -----------------------------------------------------------------------------------------------------


def test_initials_are_one_persons_whatever_their_case(database: Database) -> None:
    """A second AB is refused at the field, with whose initials they are."""
    with_person(database)
    refused = refusal(database, register_person, PersonIn(initials=" ab ", name="Abel Boyd"))
    assert refused.errors == {(None, "initials"): "AB is Ada Birch. Choose other initials."}


@pytest.mark.parametrize("initials", ["", "A B", "A-B", "ABCDEFGHI"])
def test_initials_are_a_key_one_can_press(database: Database, initials: str) -> None:
    """No blanks, no signs, at most eight."""
    assert (None, "initials") in refusal(database, register_person, PersonIn(initials=initials, name="X")).errors


def test_a_lab_keeps_a_lead(database: Database) -> None:
    """The only lead cannot leave or step down before there is another."""
    who = with_person(database)
    for change in (PersonChangeIn(name="Ada", role="member"), PersonChangeIn(name="Ada", role="lead", active=False)):
        assert "without a lead" in str(refusal(database, change_person, who, change, who=who))
    do(database, register_person, PersonIn(initials="CD", name="Cy Dale", role="lead"), who=who)
    do(database, change_person, who, PersonChangeIn(name="Ada", role="lead", active=False), who=who)
    with database.reading() as session:
        assert [one.initials for one in people_logging(session)] == ["CD"]


def test_only_a_lead_makes_a_lead(database: Database) -> None:
    """A member cannot promote anybody, himself included."""
    lead = with_person(database)
    member = do(database, register_person, PersonIn(initials="CD", name="Cy Dale"), who=lead).id
    promoted = PersonChangeIn(name="Cy Dale", role="lead")
    assert "Only a lead" in str(refusal(database, change_person, member, promoted, who=member))
    assert do(database, change_person, member, promoted, who=lead).role == "lead"


# --- tools ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "why"),
    [("co2", "CO2 is already in use"), ("CO 2", "cannot be a code"), ("CÖ2", "cannot be a code"), ("", "Give a code")],
)
def test_codes_are_typeable_and_given_once(database: Database, code: str, why: str) -> None:
    """Spaces and accents cannot be read by a scanner; case does not tell two tools apart."""
    with_tool(database, None)
    refused = refusal(database, register_tool, ToolIn(code=code, kind="co2_laser", name="Second laser"))
    assert why.lower() in refused.errors[None, "code"].lower()


def test_a_calibration_keeps_value_unit_and_end(database: Database) -> None:
    """The list tells when the first valid calibration runs out, and whether it has."""
    tool = with_tool(database, None)
    with database.writing("calibrate", operator_id=None) as writing:
        event = ToolEventIn(
            tool_id=tool,
            kind="calibration",
            what="w_per_dial",
            value=0.42,
            unit="W/%",
            done_at=writing.now - timedelta(days=20),
            valid_until=writing.now - timedelta(days=1),
        )
        now = writing.now
        made = record_tool_event(writing, event)
    with database.reading() as session:
        assert tool_list(session, now)[0].overdue
    do(database, void_tool_event, made.id, "Mistyped")
    with database.reading() as session:
        assert tool_list(session, now)[0].valid_until is None
    assert "taken back already" in str(refusal(database, void_tool_event, made.id, "Twice"))


@pytest.mark.parametrize(
    ("changed", "at"),
    [
        ({"value": None}, "value"),
        ({"what": None}, "what"),
        ({"unit": "W"}, "unit"),
        ({"kind": "fault"}, "value"),
        ({"kind": "party"}, "kind"),
    ],
)
def test_a_half_calibration_is_refused(database: Database, changed: dict[str, Any], at: str) -> None:
    """Value, unit and what it is of belong together, and to a calibration alone."""
    whole = {"kind": "calibration", "what": "w_per_dial", "value": 0.42, "unit": "W/%"}
    data = ToolEventIn(tool_id=with_tool(database, None), **{**whole, **changed})
    assert (None, at) in refusal(database, record_tool_event, data).errors


def test_a_calibration_in_the_future_or_over_before_it_began_is_refused(database: Database) -> None:
    """Both ends are told at once."""
    tool = with_tool(database, None)
    now = datetime.now(UTC)
    whole = {"kind": "calibration", "what": "w_per_dial", "value": 0.42, "unit": "W/%"}
    data = ToolEventIn(tool_id=tool, done_at=now + timedelta(hours=1), valid_until=now, **whole)
    refused = refusal(database, record_tool_event, data)
    assert set(refused.errors) == {(None, "done_at"), (None, "valid_until")}


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [("0,42 W/%", None, 0.42), ("420 mW/%", "W/V", 0.42), ("0.42", "W/%", 0.42), ("5 W/V", "", 5.0)],
)
def test_power_per_dial_is_read_with_its_unit(typed: str, unit: str | None, value: float) -> None:
    """Decimal comma, thousandths, and a unit behind the number, which wins over the one chosen."""
    read = read_calibration("w_per_dial", typed, unit)
    assert not isinstance(read, ReadError)
    assert read[0].value == pytest.approx(value)
    assert read[1] == ("W/V" if "V" in typed else "W/%")


@pytest.mark.parametrize(("typed", "unit"), [("0.42", None), ("-0.4", "W/%"), ("0", "W/%"), ("much", "W/%"), ("", "")])
def test_no_power_per_dial_is_told(typed: str, unit: str | None) -> None:
    """Without a unit, negative, nothing, or no number at all: an error in words."""
    assert isinstance(read_calibration("w_per_dial", typed, unit), ReadError)


def test_impossible_properties_are_refused(database: Database) -> None:
    """A linewidth below nothing is told at its field; what a kind does not declare stays."""
    data = ToolIn(code="P1", kind="probe_laser", name="Probe", properties={"linewidth_mhz": -1.0})
    assert (None, "linewidth_mhz") in refusal(database, register_tool, data).errors
    tool = do(database, register_tool, data.model_copy(update={"properties": {"colour": "grey"}}))
    assert tool.properties == {"colour": "grey"}


def test_a_tool_changed_by_two_is_told(database: Database) -> None:
    """The second form was opened on a version that is no longer there."""
    tool = with_tool(database, None)
    do(database, change_tool, tool, ToolChangeIn(name="One", version=1))
    refused = refusal(database, change_tool, tool, ToolChangeIn(name="Two", version=1))
    assert "Somebody else changed this record" in str(refused)


# --- lots and masks ---------------------------------------------------------------------------------------------


def test_a_lot_cannot_expire_before_it_was_opened(database: Database) -> None:
    """Neither when it is registered nor when it is changed."""
    lot = do(database, register_lot, LotIn(code="RES-1", kind="resist"))
    now = datetime.now(UTC)
    days = {"opened_at": now, "expires_at": now - timedelta(days=1)}
    assert "cannot expire" in str(refusal(database, change_lot, lot.id, LotChangeIn(**days)))
    assert "cannot expire" in str(refusal(database, register_lot, LotIn(code="RES-2", kind="resist", **days)))
    assert "already in use" in str(refusal(database, register_lot, LotIn(code="res-1", kind="resist")))


GRID = {"rows": 8, "columns": 20, "disc_um": 104.0, "pitch_x_um": 600.0, "pitch_y_um": 2400.0}


def mask(*arrays: dict[str, Any], **more: Any) -> MaskIn:
    """A mask on a plate of 102 mm."""
    whole = {"code": "ROW-1", "plate_mm": 102.0, "edge_margin_mm": 5.0, **more}
    return MaskIn(arrays=tuple(ArrayIn(**{**GRID, **array}) for array in arrays), **whole)


def test_a_mask_keeps_its_arrays_and_its_geometry(database: Database) -> None:
    """Without origins arrays are set side by side, apart and in the middle; later only the words change."""
    made = do(database, register_mask, mask({"label": "Discs"}, {"ladder_um": tuple(range(80, 120, 5)), "rows": 8}))
    do(database, change_mask, made.id, MaskChangeIn(name="Rowan", version=1))
    with database.reading() as session:
        found = mask_facts(session, "row-1")
    assert found is not None
    first, second = (row.array for row in found.arrays)
    assert found.sites == 320
    assert not overlap(first, second)
    assert faults([first, second], 102.0, 5.0) == []
    assert second.size_um(3) == 90
    assert (found.name, found.version) == ("Rowan", 2)


@pytest.mark.parametrize(
    ("arrays", "where"),
    [
        ([], (0, "rows")),
        ([{"pitch_x_um": 100}], (0, "pitch_x_um")),
        ([{"pitch_y_um": 104}], (0, "pitch_y_um")),
        ([{"columns": 100}], (0, "columns")),
        ([{"rows": 0}], (0, "rows")),
        ([{"disc_um": -5}], (0, "disc_um")),
        ([{"ladder_um": (80, 90)}], (0, "ladder_um")),
        ([{"origin_x_um": 40000}], (0, "origin_x_um")),
        ([{"rows": 80}], (0, "origin_y_um")),
        ([{"origin_x_um": 0}, {"origin_x_um": 1200}], (1, "origin_x_um")),
    ],
)
def test_a_mask_that_cannot_be_is_refused_at_its_place(
    database: Database, arrays: list[dict[str, Any]], where: tuple[int, str]
) -> None:
    """Discs that touch, a ladder of the wrong length, discs off the plate, arrays over one another."""
    refused = refusal(database, register_mask, mask(*arrays))
    assert where in refused.errors


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(x=st.integers(-9000, 9000), y=st.integers(-9000, 9000), ladder=st.booleans())
def test_overlap_is_what_every_pair_of_discs_says(x: int, y: int, ladder: bool) -> None:
    """The quick look at neighbouring sites agrees with looking at every pair."""
    sizes = (100.0, 400.0, 200.0) if ladder else ()
    one = Array(3, 4, 700, 900, 300, sizes)
    other = Array(4, 3, 900, 500, 250, (), x, y)
    pairs = [
        (one.position_um(r, c), one.size_um(r), other.position_um(s, d), other.size_um(s))
        for r in range(1, 4)
        for c in range(1, 5)
        for s in range(1, 5)
        for d in range(1, 4)
    ]
    touch = any((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 < ((size + like) / 2) ** 2 for p, size, q, like in pairs)
    assert overlap(one, other) == overlap(other, one) == touch


# --- the lab ----------------------------------------------------------------------------------------------------


def test_a_lead_sets_zone_and_ranges_and_a_member_does_not(database: Database) -> None:
    """What is plausible here is asked by; both ends blank brings the declared range back."""
    lead = with_person(database)
    member = do(database, register_person, PersonIn(initials="CD", name="Cy Dale"), who=lead).id
    lab = LabIn(name="Glass lab", zone="Europe/Vienna", stalled_days=30)
    assert "Only a lead" in str(refusal(database, change_lab, lab, who=member))
    assert "Only a lead" in str(refusal(database, set_range, RangeIn(quantity="etch_s", high=10), who=member))
    do(database, change_lab, lab, who=lead)
    do(database, set_range, RangeIn(quantity="etch_s", low=60, high=9000), who=lead)
    with database.reading() as session:
        assert lab_facts(session).stalled_days == 30
        assert quantities_here(session)["etch_s"].plausible == (60, 9000)
    do(database, set_range, RangeIn(quantity="etch_s"), who=lead)
    with database.reading() as session:
        assert quantities_here(session)["etch_s"] == QUANTITIES["etch_s"]


@pytest.mark.parametrize(("low", "high", "at"), [(-5.0, None, "low"), (10.0, 5.0, "low"), (None, 1e9, "high")])
def test_a_range_that_cannot_be_is_refused(database: Database, low: float | None, high: float | None, at: str) -> None:
    """Ends in the wrong order, or where no value can be."""
    assert (None, at) in refusal(database, set_range, RangeIn(quantity="etch_s", low=low, high=high)).errors


def test_a_zone_nobody_has_heard_of_is_told(database: Database) -> None:
    """With how to write one."""
    lab = LabIn(name="Glass lab", zone="Vienna time", stalled_days=30)
    assert "Europe/Vienna" in refusal(database, change_lab, lab).errors[None, "zone"]
