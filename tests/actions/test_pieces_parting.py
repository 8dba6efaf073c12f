"""Parting: every device goes with its site or is lost by name; children inherit, the parent is closed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from app.actions.parting import part_piece
from app.actions.rules import NEW, check_new_deeds
from app.core.refusal import Refusal
from app.core.timeline import Deed
from app.db import device_table
from app.db.models.facts import DEVICE_FACTS, PIECE_FACTS
from app.db.models.material import Device, Piece
from app.db.session import Database
from app.queries.sites import exposures_on
from app.schemas.pieces import ChildIn, PartingIn, SitesIn
from tests.pieces_lab import (
    bare_wafer,
    day,
    deed,
    device_places,
    expose,
    fibre,
    person,
    refusal_of,
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


def child(code: str, *sites: tuple[int, int], number: int = 1, **more: Any) -> ChildIn:
    """A child that keeps some sites."""
    kept = (SitesIn(exposure_number=number, sites=sites),) if sites else ()
    return ChildIn(code=code, kept=kept, **more)


def rows(low: int, high: int, columns: int = 5) -> tuple[tuple[int, int], ...]:
    """Whole rows."""
    return tuple((row, column) for row in range(low, high + 1) for column in range(1, columns + 1))


def part(lab: Database, piece: int, *children: ChildIn, at: float = 10, **more: Any) -> None:
    """Part a piece at some day."""
    with deed(lab, "part", 100) as writing:
        part_piece(writing, PartingIn(piece_id=piece, children=children, done_at=day(at), **more))


def piece_id(lab: Database, code: str) -> int:
    """A piece's id."""
    with lab.reading() as session:
        return session.scalars(select(Piece.id).where(Piece.code == code)).one()


def test_devices_go_with_their_sites_and_keep_their_codes(lab: Database) -> None:
    """A wafer parted into rows: devices move, codes stay, children hold just their rows."""
    piece = wafer(lab)
    take(lab, piece, [(1, 1), (2, 5), (3, 1), (4, 5)])
    part(lab, piece, child("W001-A", *rows(1, 2)), child("W001-B", rest=True))
    a, b = piece_id(lab, "W001-A"), piece_id(lab, "W001-B")
    assert device_places(lab) == {"W001-1-0101": a, "W001-1-0205": a, "W001-1-0301": b, "W001-1-0405": b}
    with lab.reading() as session:
        (held,) = exposures_on(session, b)
        assert held.sites() == list(rows(3, 4))
        assert not device_table.difference(session)


def test_children_inherit_what_was_done_before(lab: Database) -> None:
    """An oxide etch of the wafer stands in its chip's facts, and one logged late does too."""
    piece = wafer(lab)
    step(lab, "oxide_etch", piece, 5)
    part(lab, piece, child("W001-A", rest=True))
    step(lab, "resist_strip", piece, 6)
    with lab.reading() as session:
        facts = session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_code == "W001-A")).mappings().one()
    assert (facts["lithography_count"], facts["oxide_etch_count"], facts["resist_strip_count"]) == (1, 1, 1)


def test_a_device_without_a_place_must_be_named_lost(lab: Database) -> None:
    """Devices on sites nobody keeps refuse the parting by their codes; called lost, they fail at the next stage."""
    piece = wafer(lab)
    take(lab, piece, [(1, 1), (4, 5)])
    with pytest.raises(Refusal, match=r"1 device is on sites that no piece keeps: W001-1-0405"):
        part(lab, piece, child("W001-A", *rows(1, 2)))
    lost = (SitesIn(exposure_number=1, sites=((4, 5),)),)
    part(lab, piece, child("W001-A", *rows(1, 2)), lost=lost)
    with lab.reading() as session:
        row = session.execute(select(DEVICE_FACTS).where(DEVICE_FACTS.c.row == 4)).mappings().one()
    assert (row["lost_cause"], row["lost_caused_at"], row["lost_found_at"]) == ("broken", "handling", "oxide_etched")
    assert row["oxide_etched_outcome"] == "failed"
    late = Deed(NEW, day(20), "reflow", device=row["device_id"])
    with deed(lab) as writing:
        assert "after it was gone" in str(refusal_of(check_new_deeds, writing, [piece], [late]))


def test_whatever_no_piece_keeps_can_be_lost_in_one_word(lab: Database) -> None:
    """`rest_lost` loses the devices left over and counts every site lost."""
    piece = wafer(lab)
    take(lab, piece, rows(1, 4))
    part(lab, piece, child("W001-A", *rows(1, 3)), rest_lost=True)
    with lab.reading() as session:
        lost = session.scalars(select(DEVICE_FACTS.c.row).where(DEVICE_FACTS.c.lost_at.is_not(None))).all()
    assert lost == [4] * 5


def test_a_site_is_kept_once(lab: Database) -> None:
    """Two children cannot keep one site, nor can a kept site be lost; the later row is told."""
    piece = wafer(lab)
    with pytest.raises(Refusal) as caught:
        part(lab, piece, child("A", (1, 1)), child("B", (1, 1)))
    assert caught.value.errors == {(1, "sites"): "Site 1-0101 is kept by A already."}
    with pytest.raises(Refusal, match="said to be lost"):
        part(lab, piece, child("A", (1, 1)), lost=(SitesIn(exposure_number=1, sites=((1, 1),)),))
    with pytest.raises(Refusal, match="Only one piece can keep the rest"):
        part(lab, piece, child("A", rest=True), child("B", rest=True))


def test_bad_codes_are_told_row_by_row(lab: Database) -> None:
    """Codes in use, malformed or given twice are refused together, each at its row; nothing is saved."""
    piece = wafer(lab)
    bare_wafer(lab, "W002")
    with pytest.raises(Refusal) as caught:
        part(lab, piece, child("A"), child("a"), child("w002"), child("Chip 3"), child(""))
    assert set(caught.value.errors) == {(n, "code") for n in (1, 2, 3, 4)}
    with pytest.raises(Refusal, match="Width -3 mm cannot be"):
        part(lab, piece, child("A", width_mm=-3.0))
    with lab.reading() as session:
        assert set(session.scalars(select(Piece.code))) == {"W001", "W002"}


def test_sites_the_piece_does_not_hold_are_refused(lab: Database) -> None:
    """A site outside, an exposure that is not there, and a site its own parent kept back are all refused."""
    piece = wafer(lab)
    with pytest.raises(Refusal, match="Site 1-0501 is not on W001"):
        part(lab, piece, child("A", (5, 1)))
    with pytest.raises(Refusal, match="holds no exposure 2"):
        part(lab, piece, child("A", (1, 1), number=2))
    part(lab, piece, child("A", *rows(1, 2)), child("B", rest=True))
    with pytest.raises(Refusal, match="Site 1-0301 is not on A"):
        part(lab, piece_id(lab, "A"), child("A1", (3, 1)), at=11)


def test_a_parted_piece_is_closed(lab: Database) -> None:
    """Nothing is done to it any more, it is not parted twice, and no deed on a chip comes before its parting."""
    piece = wafer(lab)
    part(lab, piece, child("A", rest=True))
    with pytest.raises(Refusal, match="was parted"):
        part(lab, piece, child("B", rest=True), at=11)
    with pytest.raises(Refusal, match="before the parting that made A"):
        take(lab, piece_id(lab, "A"), [(1, 1)], at=9)
    assert take(lab, piece_id(lab, "A"), [(1, 1)], at=11)


def test_only_wafers_and_chips_are_parted(lab: Database) -> None:
    """A fibre batch, or a piece that is not there, is refused."""
    for piece in (fibre(lab), 999):
        with pytest.raises(Refusal, match="Only a wafer or a chip"):
            part(lab, piece, child("A"))


def test_a_late_parting_cannot_undo_what_was_done_since(lab: Database) -> None:
    """A parting dated before an undercut of the whole wafer is refused."""
    piece = wafer(lab)
    step(lab, "undercut", piece, 20)
    with pytest.raises(Refusal, match="Undercut on W001 comes after W001 was parted"):
        part(lab, piece, child("A", rest=True), at=10)


def test_a_gone_device_needs_no_place(lab: Database) -> None:
    """A device whose shot left nothing does not hold up a parting."""
    piece = wafer(lab)
    devices = take(lab, piece, [(1, 1), (4, 5)])
    shoot(lab, devices[1:], at=5, outcome="gone")
    part(lab, piece, child("A", *rows(1, 2)))
    assert device_places(lab)["W001-1-0405"] == piece


def test_unpatterned_wafers_part_too(lab: Database) -> None:
    """Without discs there are no sites to give; what is exposed on a chip later counts on from the wafer."""
    piece = bare_wafer(lab)
    part(lab, piece, child("W001-A"), child("W001-B"))
    number = expose(lab, piece_id(lab, "W001-B"), 2, 2, at=12)
    take(lab, piece_id(lab, "W001-B"), [(2, 2)], number, at=13)
    assert list(device_places(lab)) == ["W001-1-0202"]


_SITES = st.frozensets(st.tuples(st.integers(1, 4), st.integers(1, 5)))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    taken=_SITES,
    cuts=st.lists(_SITES, min_size=1, max_size=3),
    lost=_SITES,
    rest=st.booleans(),
    rest_lost=st.booleans(),
)
def test_parting_never_loses_a_device_from_sight(
    lab: Database,
    taken: frozenset[tuple[int, int]],
    cuts: list[frozenset[tuple[int, int]]],
    lost: frozenset[tuple[int, int]],
    rest: bool,
    rest_lost: bool,
) -> None:
    """However a wafer is parted, it is refused whole, or each device is on exactly one child, or lost."""
    with lab.reading() as session:
        number = len(session.scalars(select(Piece.id)).all())
    code = f"W{number:03d}"
    piece = bare_wafer(lab, code)
    exposure = expose(lab, piece, 4, 5)
    devices = take(lab, piece, sorted(taken), exposure) if taken else []
    children = [
        child(f"{code}-{place}", *sorted(cut - lost - frozenset().union(*cuts[:place])), number=exposure)
        for place, cut in enumerate(cuts)
    ]
    children += [ChildIn(code=f"{code}-R", rest=True)] if rest else []
    kept = frozenset().union(*cuts) - lost
    named = (SitesIn(exposure_number=exposure, sites=tuple(sorted(lost))),) if lost else ()
    homeless = {site for site in taken if site not in kept and site not in lost and not rest}
    if homeless and not rest_lost:
        with pytest.raises(Refusal, match="no piece keeps"):
            part(lab, piece, *children, lost=named)
    else:
        part(lab, piece, *children, lost=named, rest_lost=rest_lost)
    with lab.reading() as session:
        found = session.execute(
            select(Device.piece_id, Device.row, Device.column, DEVICE_FACTS.c.lost_at, Piece.parent_id)
            .join(DEVICE_FACTS, DEVICE_FACTS.c.device_id == Device.id)
            .join(Piece, Piece.id == Device.piece_id)
            .where(Device.id.in_(devices))
        ).all()
        refused = session.scalar(select(Piece.id).where(Piece.parent_id == piece)) is None
        assert {(row, column) for _, row, column, *_ in found} == taken
        for on, row, column, lost_at, parent in found:
            holders = [
                each
                for each in session.scalars(select(Piece.id).where(Piece.parent_id == piece))
                if any(held.holds(row, column) for held in exposures_on(session, each))
            ]
            if refused:
                assert on == piece
                assert lost_at is None
            elif lost_at is None:
                assert parent == piece
                assert holders == [on]
            else:
                assert holders == []
        assert not device_table.difference(session)
