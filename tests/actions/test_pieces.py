"""Registering pieces, taking sites in hand, whereabouts, ending, purposes."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from app.actions.pieces import change_purpose, end_piece, move_piece, register_fibre_batch, register_wafer, take_in_hand
from app.core.refusal import Refusal
from app.db import device_table
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Device
from app.db.session import Database
from app.schemas.pieces import EndingIn, FibreBatchIn, MoveIn, PurposeIn, SitesIn, TakingIn, WaferIn
from tests.pieces_lab import bare_wafer, day, deed, expose, fibre, inspect, person, refusal_of, shoot, step, take, wafer


@pytest.fixture
def lab(database: Database) -> Database:
    """A lab with one person."""
    person(database)
    return database


def test_measured_oxide_counts_before_the_nominal_one(lab: Database) -> None:
    """A wafer's oxide in the device table is the mean of its measured points, not the figure on the box."""
    with deed(lab, at=1) as writing:
        piece = register_wafer(writing, WaferIn(code="W001", oxide_um=2.0, points_um=(2.02, 2.04, 2.06)))
    with lab.reading() as session:
        oxide = session.scalar(select(PIECE_FACTS.c.oxide_um).where(PIECE_FACTS.c.piece_id == piece.id))
    assert oxide == pytest.approx(2.04)


@pytest.mark.parametrize("code", ["w001", "W001", " W001 "])
def test_a_code_is_taken_whatever_its_case(lab: Database, code: str) -> None:
    """A second piece cannot have the code of the first in other letters."""
    bare_wafer(lab, "W001")
    with pytest.raises(Refusal, match="already in use"):
        bare_wafer(lab, code)


@pytest.mark.parametrize("code", ["", "W 01", "Wäfer", "W/1", "-W1", "W" * 41])
def test_a_code_must_be_typed_and_scanned(lab: Database, code: str) -> None:
    """Spaces, accents, slashes and endless codes are refused at the code field, and nothing is saved."""
    with pytest.raises(Refusal) as caught:
        bare_wafer(lab, code)
    assert (None, "code") in caught.value.errors
    with lab.reading() as session:
        assert session.scalar(select(PIECE_FACTS.c.piece_id)) is None


def test_a_piece_cannot_have_a_devices_code(lab: Database) -> None:
    """F001-01 is an end of F001, so no piece may be called so."""
    batch = fibre(lab)
    with deed(lab, at=2) as writing:
        take_in_hand(writing, TakingIn(piece_id=batch, ends=(1,)))
    with pytest.raises(Refusal, match="already in use"):
        bare_wafer(lab, "f001-01")


@pytest.mark.parametrize(
    ("field", "value"), [("diameter_mm", -100.0), ("oxide_um", -2.0), ("resistivity_ohm_cm", -1.0)]
)
def test_negative_sizes_are_refused_where_they_stand(lab: Database, field: str, value: float) -> None:
    """What cannot be is refused at its own field."""
    with pytest.raises(Refusal) as caught:
        bare_wafer(lab, "W009", **{field: value})
    assert (None, field) in caught.value.errors


def test_a_stage_of_another_kind_cannot_be_stated(lab: Database) -> None:
    """A wafer does not come in melted."""
    with pytest.raises(Refusal, match="not one of"):
        bare_wafer(lab, "W009", arrived_stage="melted")
    with deed(lab) as writing:
        text = str(refusal_of(register_fibre_batch, writing, FibreBatchIn(code="F9", ends=3, arrived_stage="undercut")))
    assert "not one of" in text


def test_taking_in_hand_twice_adds_nothing(lab: Database) -> None:
    """A site in hand stays the device it is; its code names wafer, exposure, row and column."""
    piece = wafer(lab)
    first = take(lab, piece, [(1, 1), (4, 5)])
    again = take(lab, piece, [(1, 1), (4, 5), (2, 2)])
    with lab.reading() as session:
        codes = set(session.scalars(select(Device.code)))
    assert (len(first), len(again)) == (2, 1)
    assert codes == {"W001-1-0101", "W001-1-0405", "W001-1-0202"}


def test_sites_off_the_piece_are_refused_and_none_is_taken(lab: Database) -> None:
    """One site outside the array refuses the whole choice."""
    piece = wafer(lab, rows=4, columns=5)
    with pytest.raises(Refusal, match="Row 5, column 1 is not on W001"):
        take(lab, piece, [(1, 1), (5, 1)])
    with lab.reading() as session:
        assert session.scalar(select(Device.id)) is None


def test_nothing_chosen_is_said(lab: Database) -> None:
    """An empty choice is refused, for sites and for fibre ends."""
    piece, batch = wafer(lab), fibre(lab)
    with deed(lab) as writing:
        assert "at least one site" in str(refusal_of(take_in_hand, writing, TakingIn(piece_id=piece)))
        assert "at least one fibre end" in str(refusal_of(take_in_hand, writing, TakingIn(piece_id=batch)))


def test_fibre_ends_run_from_one_to_the_last(lab: Database) -> None:
    """There is no end 7 of six."""
    batch = fibre(lab, ends=6)
    with deed(lab) as writing:
        assert "no end 7" in str(refusal_of(take_in_hand, writing, TakingIn(piece_id=batch, ends=(1, 7))))


def test_lending_says_to_whom_and_until_when(lab: Database) -> None:
    """A loan wants a name and cannot be due before it began; then the piece stands as lent."""
    piece = wafer(lab)
    with deed(lab, at=5) as writing:
        assert "to whom" in str(refusal_of(move_piece, writing, MoveIn(piece_ids=(piece,), state="lent")))
        early = MoveIn(piece_ids=(piece,), state="lent", place="TU", until=day(4), done_at=day(5))
        assert "before it left" in str(refusal_of(move_piece, writing, early))
    with deed(lab, at=5) as writing:
        move_piece(writing, MoveIn(piece_ids=(piece,), state="lent", place="Optics, TU", until=day(20)))
    with lab.reading() as session:
        row = session.execute(select(PIECE_FACTS.c.whereabouts, PIECE_FACTS.c.whereabouts_place)).one()
    assert tuple(row) == ("lent", "Optics, TU")


def test_nothing_more_is_done_to_a_piece_that_is_gone(lab: Database) -> None:
    """After a piece broke, its sites are not taken in hand; back in the lab they are."""
    piece = wafer(lab)
    with deed(lab, at=5) as writing:
        move_piece(writing, MoveIn(piece_ids=(piece,), state="broken"))
    with pytest.raises(Refusal, match="after W001 was broken"):
        take(lab, piece, [(1, 1)], at=6)
    with deed(lab, at=7) as writing:
        move_piece(writing, MoveIn(piece_ids=(piece,), state="in_lab"))
    assert take(lab, piece, [(1, 1)], at=8)


def test_an_ended_piece_takes_no_further_deeds(lab: Database) -> None:
    """Ending wants a reason and is final; ending twice is refused."""
    piece = wafer(lab)
    with deed(lab, at=5) as writing:
        end_piece(writing, EndingIn(piece_id=piece, reason="superseded by W002"))
    with pytest.raises(Refusal, match="was ended"):
        take(lab, piece, [(1, 1)], at=6)
    with deed(lab, at=7) as writing:
        assert "was ended" in str(refusal_of(end_piece, writing, EndingIn(piece_id=piece, reason="again")))


def test_a_deed_in_the_future_is_refused(lab: Database) -> None:
    """More than five minutes past the server's clock is the future."""
    piece = wafer(lab)
    with deed(lab, at=5) as writing:
        late = EndingIn(piece_id=piece, reason="x", done_at=day(5.1))
        assert "future" in str(refusal_of(end_piece, writing, late))


def test_an_old_deed_from_a_fast_clock_blocks_nothing(lab: Database) -> None:
    """Something impossible that stands in the records already does not refuse an unrelated new deed."""
    piece = wafer(lab)
    step(lab, "oxide_etch", piece, 50)
    with deed(lab, at=5) as writing:
        move_piece(writing, MoveIn(piece_ids=(piece,), state="sent", place="TU"))


def test_a_changed_purpose_leaves_decided_stages_alone(lab: Database) -> None:
    """A candidate that was inspected and then made a test still counts where it was decided, and nowhere later."""
    piece = wafer(lab)
    (device,) = take(lab, piece, [(1, 1)])
    inspect(lab, piece, "patterned", {device: "good"}, at=3)
    with deed(lab, at=4) as writing:
        change_purpose(writing, PurposeIn(device_ids=(device,), purpose="test"))
    shoot(lab, [device], at=5)
    with lab.reading() as session:
        row = session.execute(select(DEVICE_FACTS)).mappings().one()
        assert not device_table.difference(session)
    assert (row["purpose"], row["patterned_counts"], row["reflowed_counts"]) == ("test", True, False)


def test_a_purpose_that_stands_already_is_said(lab: Database) -> None:
    """Changing to the same purpose, to an unknown one, or of an unknown device is refused."""
    (device,) = take(lab, wafer(lab), [(1, 1)])
    with deed(lab, at=4) as writing:
        for data, words in (
            (PurposeIn(device_ids=(device,), purpose="candidate"), "already"),
            (PurposeIn(device_ids=(device,), purpose="toy"), "not one of"),
            (PurposeIn(device_ids=(device, 999), purpose="test"), "not known"),
        ):
            assert words in str(refusal_of(change_purpose, writing, data))


def test_two_exposures_are_taken_in_one_deed(lab: Database) -> None:
    """Sites of two arrays chosen together become devices with the exposure's number in their codes."""
    piece = bare_wafer(lab)

    expose(lab, piece, 2, 2, at=1)
    expose(lab, piece, 3, 3, at=1.5)
    chosen = (SitesIn(exposure_number=1, sites=((1, 1),)), SitesIn(exposure_number=2, sites=((3, 3),)))
    with deed(lab, at=2) as writing:
        devices = take_in_hand(writing, TakingIn(piece_id=piece, chosen=chosen))
        assert [each.code for each in devices] == ["W001-1-0101", "W001-2-0303"]
