"""What pages of pieces and devices are told: history in order, what waits, where a code leads."""

from __future__ import annotations

import pytest

from app.actions.parting import part_piece
from app.actions.pieces import change_purpose, end_piece, move_piece, register_wafer, take_in_hand
from app.actions.rules import void
from app.core.process.melt import Toroid, toroid
from app.db import device_table
from app.db.models.events import Event
from app.db.models.people import LabSetting
from app.db.models.recipes import Recipe, RecipeVersion
from app.db.session import Database
from app.queries.codes import Found, NotFound, find, piece_by_code
from app.queries.devices import device_sheet
from app.queries.in_hand import in_hand
from app.queries.pieces import piece_sheet
from app.queries.waits import waiting_of, waiting_pieces
from app.schemas.pieces import ChildIn, EndingIn, MoveIn, PartingIn, PurposeIn, SitesIn, TakingIn, WaferIn
from tests.pieces_lab import (
    bare_wafer,
    day,
    deed,
    expose,
    fibre,
    inspect,
    person,
    shoot,
    step,
    take,
    wafer,
)


@pytest.fixture
def lab(database: Database) -> Database:
    """A lab with one person."""
    person(database)
    return database


def waits(lab: Database, piece: int, at: float = 100) -> list[tuple[str, int | None, int | None]]:
    """(step, count, of) of everything a piece waits for."""
    with lab.reading() as session:
        found = waiting_of(session, piece, day(at), 60)
    return [(each.step, each.count, each.of) for each in found.waits] if found else []


def test_a_wafer_waits_for_one_step_after_another(lab: Database) -> None:
    """Lithography, etch, strip, parting or undercut, taking in hand, reflow, inspection, scan: in this order."""
    piece = bare_wafer(lab)
    assert waits(lab, piece) == [("lithography", None, None)]
    step(lab, "lithography", piece, 1)
    assert waits(lab, piece) == [("oxide_etch", None, None)]
    step(lab, "oxide_etch", piece, 2)
    assert waits(lab, piece) == [("resist_strip", None, None)]
    step(lab, "resist_strip", piece, 3)
    assert waits(lab, piece) == [("parting", None, None)]
    step(lab, "undercut", piece, 4)
    assert waits(lab, piece) == [("taking", None, None)]


def test_devices_wait_each_for_their_own_next_step(lab: Database) -> None:
    """Candidates only: those not shot, those shot and not seen, those good and not measured; rejects never."""
    piece = wafer(lab)
    for at, kind in enumerate(("oxide_etch", "resist_strip", "undercut"), 2):
        step(lab, kind, piece, at)
    devices = take(lab, piece, [(1, c) for c in range(1, 6)] + [(2, 1)], at=6)
    with deed(lab, at=6.5) as writing:
        change_purpose(writing, PurposeIn(device_ids=(devices[5],), purpose="test"))
    assert waits(lab, piece) == [("reflow", 5, 5)]
    shoot(lab, devices[:1], at=7, outcome="good")
    shoot(lab, devices[1:2], at=7.1, outcome="off_centre")
    shoot(lab, devices[2:3], at=7.2, outcome=None)
    assert waits(lab, piece) == [("reflow", 2, 4), ("inspection", 1, 4), ("scan", 1, 1)]


def test_a_fibre_batch_takes_the_shorter_way(lab: Database) -> None:
    """Preparation, taking in hand, melting."""
    batch = fibre(lab)
    assert waits(lab, batch) == [("fibre_preparation", None, None)]
    step(lab, "fibre_preparation", batch, 1)
    assert waits(lab, batch) == [("taking", None, None)]
    with deed(lab, at=2) as writing:
        take_in_hand(writing, TakingIn(piece_id=batch, ends=(1, 2)))
    assert waits(lab, batch) == [("reflow", 2, 2)]


def test_a_piece_that_came_in_half_made_skips_what_was_done_elsewhere(lab: Database) -> None:
    """Arrived with its oxide etched, it waits for the parting or undercut."""
    with deed(lab, at=1) as writing:
        piece = register_wafer(writing, WaferIn(code="W050", arrived_stage="oxide_etched")).id
    assert waits(lab, piece) == [("parting", None, None)]


def test_parted_ended_and_gone_pieces_wait_for_nothing(lab: Database) -> None:
    """A parted wafer stands through its chips; ended and broken ones are out."""
    first, second, third = wafer(lab, "W001"), bare_wafer(lab, "W002"), bare_wafer(lab, "W003")
    with deed(lab, at=5) as writing:
        part_piece(writing, PartingIn(piece_id=first, children=(ChildIn(code="W001-A", rest=True),)))
        end_piece(writing, EndingIn(piece_id=second, reason="superseded"))
        move_piece(writing, MoveIn(piece_ids=(third,), state="broken"))
    with lab.reading() as session:
        assert [each.piece.code for each in waiting_pieces(session, day(6), 60)] == ["W001-A"]


def test_what_nobody_touched_for_the_labs_days_is_stalled_and_lent_is_not(lab: Database) -> None:
    """Stalled pieces stand apart with their age, by the lab's own setting; lent ones with their day."""
    slow, lent = bare_wafer(lab, "W001"), bare_wafer(lab, "W002")
    with deed(lab, at=1) as writing:
        move_piece(writing, MoveIn(piece_ids=(lent,), state="lent", place="TU", until=day(10)))
        writing.add(LabSetting(name="stalled_days", value=30))
    with lab.reading() as session:
        before, after = in_hand(session, day(29), day(29)), in_hand(session, day(31), day(31))
    assert [each.piece.id for each in before.stalled] == []
    assert [(each.piece.id, each.since_s) for each in after.stalled] == [(slow, 31 * 86400)]
    assert [(each.piece.id, each.overdue) for each in after.away] == [(lent, True)]
    assert after.stalled_days == 30


def test_history_runs_from_the_wafer_to_the_chip(lab: Database) -> None:
    """What the wafer went through is inherited and comes first, the chip's own deeds after it, devices' summed up."""
    piece = wafer(lab)
    step(lab, "oxide_etch", piece, 3)
    devices = take(lab, piece, [(1, 1), (1, 2)], at=3.5)
    with deed(lab, at=4) as writing:
        part_piece(writing, PartingIn(piece_id=piece, children=(ChildIn(code="W001-A", rest=True),), done_at=day(4)))
    with lab.reading() as session:
        chip = piece_by_code(session, "w001-a")
    assert chip is not None
    step(lab, "undercut", chip.id, 5)
    shoot(lab, devices, at=6, outcome="off_centre")
    inspect(lab, chip.id, "reflowed", {devices[0]: "usable", devices[1]: "reject"}, at=7)
    with lab.reading() as session:
        sheet = piece_sheet(session, chip.id, day(8))
    told = [(each.heading, each.inherited) for each in sheet.history]
    assert told == [
        ("Lithography", True),
        ("Oxide etch", True),
        ("Taking in hand", True),
        ("Parted", True),
        ("Undercut", False),
        ("Reflow, 2 discs", False),
        ("Inspection, reflowed", False),
    ]
    assert sheet.history[-1].facts[0].text == "1 usable, 1 rejected"
    assert sheet.history[-2].facts[0].text == "2 shots: 2 off-centre"


def test_departures_from_the_recipe_are_marked_and_voided_records_stay(lab: Database) -> None:
    """A setting other than the recipe's carries the recipe's value; a voided record is there with its reason."""
    piece = wafer(lab)
    with deed(lab, at=2) as writing:
        recipe = Recipe(name="Oxide 6:1", name_key="oxide 6:1", step_kind="oxide_etch")
        writing.add(recipe)
        version = RecipeVersion(
            recipe_id=recipe.id, number=2, settings={"etch_s": 1140.0, "bath_c": 22.0}, made_at=day(2)
        )
        writing.add(version)
    act = step(lab, "oxide_etch", piece, 3, etch_s=1170.0, bath_c=22.0, recipe_version_id=version.id)
    with lab.reading() as session:
        etched = piece_sheet(session, piece, day(8)).history[-1]
    assert etched.recipe == "Oxide 6:1, version 2"
    assert {(fact.text, fact.planned) for fact in etched.facts} == {
        ("Etch time 1\u202f170\u00a0s", "1\u202f140\u00a0s"),
        ("Bath temperature 22.0\u00a0°C", ""),
    }
    with deed(lab, at=5) as writing:
        void(writing, writing.session.get_one(Event, act), "twice")
    with lab.reading() as session:
        sheet = piece_sheet(session, piece, day(8))
    assert sheet.history[-1].voided == "twice, AB"
    assert sheet.facts["oxide_etch_count"] == 0


def test_a_device_knows_its_whole_life(lab: Database) -> None:
    """From the wafer's lithography to its rim: inherited steps, shot, inspection, and the minor diameter by volume."""
    piece = bare_wafer(lab, oxide_um=2.0)
    expose(lab, piece, 4, 5)
    (device,) = take(lab, piece, [(2, 3)])
    shoot(lab, [device], at=6)
    inspect(lab, piece, "reflowed", {device: "good"}, at=7, outer_um=66.0, minor_um=8.0)
    with lab.reading() as session:
        sheet = device_sheet(session, "w001-1-0203")
        assert device_sheet(session, "W001-1-0204") is None
    assert sheet is not None
    assert [each.heading for each in sheet.history] == [
        "Lithography", "Taking in hand", "Reflow shot", "Inspection, reflowed",
    ]  # fmt: skip
    shape = toroid(90, 2.0, 66.0)
    assert isinstance(shape, Toroid)
    assert sheet.geometry.minor_expected_um == shape.minor_um
    assert sheet.shots[0].intensity_kw_cm2 == pytest.approx(2 * 5 / (3.14159265 * 0.01**2) / 1000)
    assert sheet.shots[0].energy_j == 10
    assert sheet.line.standing.words == "Reflowed: passed"


def test_geometry_says_what_it_lacks(lab: Database) -> None:
    """Without an oxide thickness and an outer diameter nothing is worked out, and the page can say why."""
    take(lab, wafer(lab), [(1, 1)])
    with lab.reading() as session:
        sheet = device_sheet(session, "W001-1-0101")
    assert sheet is not None
    assert sheet.geometry.why_not == "needs the oxide thickness and the outer diameter"


@pytest.mark.parametrize("typed", ["W001", "w001", "  W001\n", "W 001"])
def test_a_code_is_found_however_it_was_read(lab: Database, typed: str) -> None:
    """Readers add line ends, people spaces and small letters."""
    bare_wafer(lab)
    with lab.reading() as session:
        assert find(session, typed) == Found("W001", "/wafers/W001", "wafer")


def test_an_unknown_code_is_answered_with_codes_like_it(lab: Database) -> None:
    """One wrong letter still leads somewhere; a site not in hand yet leads to the piece that holds it."""
    piece = wafer(lab, "W012")
    take(lab, piece, [(1, 1)])
    with lab.reading() as session:
        near = find(session, "W0l2")
        site = find(session, "w012-1-0405")
        nowhere = find(session, "W012-1-0599")
        assert find(session, "W012-1-0101") == Found("W012-1-0101", "/devices/W012-1-0101", "device")
    assert isinstance(near, NotFound)
    assert near.near[0].code == "W012"
    assert isinstance(site, NotFound)
    assert site.take_on is not None
    assert (site.take_on.code, site.site) == ("W012", "1-0405")
    assert isinstance(nowhere, NotFound)
    assert nowhere.take_on is None


def test_a_fibre_end_that_is_not_in_hand_leads_to_its_batch(lab: Database) -> None:
    """F001-04 of six may be taken; F001-07 is not there; one in hand is found, with the fibre its sphere took."""
    batch = fibre(lab)
    with deed(lab, at=2) as writing:
        (device,) = take_in_hand(writing, TakingIn(piece_id=batch, ends=(1,)))
    step(lab, "fibre_preparation", batch, 1, tapered_um=50.0)
    inspect(lab, batch, "melted", {device.id: "good"}, at=3, outer_um=100.0)
    with lab.reading() as session:
        free, none = find(session, "f001-04"), find(session, "F001-07")
        found = device_sheet(session, "F001-01")
    assert isinstance(free, NotFound)
    assert free.take_on is not None
    assert (free.typed, free.site) == ("F001-04", "4")
    assert isinstance(none, NotFound)
    assert none.take_on is None
    assert found is not None
    # A full sphere of 100 µm holds 267 µm of a 50 µm fibre; the cap inside the stem takes a few off.
    assert found.geometry.melted_um == pytest.approx(266.7, rel=0.05)


def test_what_was_saved_together_is_one_line_of_today(lab: Database) -> None:
    """Forty-eight shots in one save are one line; what was logged before the day began is not there."""
    piece = wafer(lab)
    devices = take(lab, piece, [(r, c) for r in range(1, 5) for c in range(1, 6)], at=2)
    shoot(lab, devices, at=3)
    with lab.reading() as session:
        page = in_hand(session, day(3.1), day(2.9))
    assert [(each.heading, each.who, each.more) for each in page.logged] == [("Reflow shot, 20 devices", "AB", 17)]


def test_both_databases_tell_the_same(either_database: Database) -> None:
    """A wafer parted, shot, inspected and lent: pages, waits, codes and projection on SQLite and PostgreSQL."""
    lab = either_database
    person(lab)
    piece = wafer(lab, "W007")
    devices = take(lab, piece, [(1, 1), (4, 5)], at=3)
    with deed(lab, at=4) as writing:
        kept = ChildIn(code="W007-A", kept=(SitesIn(exposure_number=1, sites=((1, 1),)),))
        part_piece(writing, PartingIn(piece_id=piece, children=(kept,), rest_lost=True, done_at=day(4)))
    with lab.reading() as session:
        chip = piece_by_code(session, "W007-a")
    assert chip is not None
    step(lab, "undercut", chip.id, 5)
    shoot(lab, devices[:1], at=6)
    inspect(lab, chip.id, "reflowed", {devices[0]: "good"}, at=7, outer_um=66.0)
    with deed(lab, at=8) as writing:
        move_piece(writing, MoveIn(piece_ids=(chip.id,), state="lent", place="TU", until=day(20)))
    with lab.reading() as session:
        sheet = piece_sheet(session, piece, day(9))
        page = in_hand(session, day(9), day(7.5))
        device = device_sheet(session, "W007-1-0405")
        assert not device_table.difference(session)
        assert isinstance(find(session, "w007-1-0102"), NotFound)
    assert device is not None
    assert (sheet.children[0].devices, len(sheet.devices)) == (1, 2)
    assert device.line.standing.words == "Oxide etched: failed"
    assert [(each.piece.code, each.waits[0].count) for each in page.away] == [("W007-A", 1)]
    assert [each.heading for each in page.logged] == ["Whereabouts"]
