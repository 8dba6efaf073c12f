"""Mask sites: positions, regions, what a person types, the outline of a parted piece."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.sites import (
    Array,
    Region,
    fibre_end_code,
    outline_of,
    read_sites,
    regions_of,
    site_code,
    sites_text,
)

ARRAY = Array(rows=3, columns=4, pitch_x_um=300, pitch_y_um=250, disc_um=90, origin_x_um=50)
SITES = st.frozensets(st.tuples(st.integers(1, 12), st.integers(1, 15)), max_size=80)


def test_positions_run_right_and_down_from_the_origin() -> None:
    """Row 1, column 1 is the origin; columns go along x, rows down y."""
    assert ARRAY.position_um(1, 1) == (50, 0)
    assert ARRAY.position_um(3, 4) == (50 + 3 * 300, 2 * 250)


@pytest.mark.parametrize(("row", "column"), [(0, 1), (1, 0), (4, 1), (1, 5)])
def test_a_site_outside_the_array_is_no_site(row: int, column: int) -> None:
    """Outside, there is no position."""
    with pytest.raises(ValueError, match="outside the 3 × 4 array"):
        ARRAY.position_um(row, column)


def test_a_ladder_gives_each_row_its_size() -> None:
    """With sizes that climb, a row has its own; the gap is between the widest discs."""
    ladder = Array(rows=2, columns=2, pitch_x_um=300, pitch_y_um=300, disc_um=60, ladder_um=(60, 100))
    assert (ladder.size_um(1), ladder.size_um(2), ladder.gap_um) == (60, 100, 200)
    with pytest.raises(ValueError, match="one size for each row"):
        Array(rows=3, columns=2, pitch_x_um=300, pitch_y_um=300, disc_um=60, ladder_um=(60, 100))


def test_codes_can_be_told_apart() -> None:
    """Row and column have two figures each, so that 1, 11 and 11, 1 differ; more than 99 columns would not."""
    assert site_code("W012", 2, 4, 7) == "W012-2-0407"
    assert site_code("W012", 1, 120, 7) == "W012-1-12007"
    assert fibre_end_code("F031", 5) == "F031-05"
    with pytest.raises(ValueError, match="at most 99 columns"):
        Array(rows=1, columns=100, pitch_x_um=1, pitch_y_um=1, disc_um=0.5)


@pytest.mark.parametrize(
    ("typed", "sites"),
    [
        ("row 2", [(2, 1), (2, 2), (2, 3), (2, 4)]),
        ("Rows 1-2", [(1, c) for c in range(1, 5)] + [(2, c) for c in range(1, 5)]),
        ("column 4", [(1, 4), (2, 4), (3, 4)]),
        ("0304", [(3, 4)]),
        ("0203-0304", [(2, 3), (2, 4), (3, 3), (3, 4)]),
        ("0101, 0101; row 1", [(1, 1), (1, 2), (1, 3), (1, 4)]),
        ("", []),
        ("all", [(r, c) for r in range(1, 4) for c in range(1, 5)]),
    ],
)
def test_sites_are_read_as_people_write_them(typed: str, sites: list[tuple[int, int]]) -> None:
    """Words, blocks from corner to corner and single sites; a site named twice is one site."""
    assert read_sites(typed, 3, 4) == sites


@pytest.mark.parametrize(
    "typed", ["row 4", "0305", "row 0", "0001", "0304-0203", "rows 3-2", "3.4", "row two", "12345678"]
)
def test_sites_that_cannot_be_are_named(typed: str) -> None:
    """What was not understood, reaches outside or runs backwards is quoted back."""
    with pytest.raises(ValueError, match=f"'{typed}'"):
        read_sites(f"0101, {typed}", 3, 4)


@given(SITES)
def test_regions_hold_exactly_the_sites_they_were_made_of(sites: frozenset[tuple[int, int]]) -> None:
    """Every site is in one region, none in two, and no other site is in any."""
    regions = regions_of(sites)
    held = [site for region in regions for site in region.sites()]
    assert sorted(held) == sorted(sites)
    assert sum(region.count for region in regions) == len(sites)
    assert not any(a.overlaps(b) for n, a in enumerate(regions) for b in regions[n + 1 :])


def test_whole_rows_make_one_region() -> None:
    """A wafer cut straight across is not kept as hundreds of pieces."""
    assert regions_of([(r, c) for r in range(1, 21) for c in range(1, 21)]) == [Region(1, 20, 1, 20)]


@given(SITES)
def test_sites_in_words_are_read_back(sites: frozenset[tuple[int, int]]) -> None:
    """What is written for a person is what a person may type."""
    assert set(read_sites(sites_text(sites, 12, 15), 12, 15)) == sites


def test_a_region_runs_upwards_from_one() -> None:
    """Backwards or from nothing there is no region."""
    for ends in ((0, 1, 1, 1), (2, 1, 1, 1), (1, 1, 3, 2)):
        with pytest.raises(ValueError, match="lower to a higher"):
            Region(*ends)


def test_the_outline_follows_the_cut() -> None:
    """An L keeps its inner corner; parts that do not hang together, and holes, are framed."""
    corner = [(1, 1), (2, 1), (2, 2)]
    assert sorted(outline_of(corner)) == sorted(
        [(0.5, 0.5), (1.5, 0.5), (1.5, 1.5), (2.5, 1.5), (2.5, 2.5), (0.5, 2.5)]
    )
    frame = [(0.5, 0.5), (3.5, 0.5), (3.5, 3.5), (0.5, 3.5)]
    assert outline_of([(1, 1), (3, 3)]) == frame
    assert outline_of([(1, 1), (2, 2), (3, 3)]) == frame
    assert outline_of([(r, c) for r in (1, 2, 3) for c in (1, 2, 3) if (r, c) != (2, 2)]) == frame
    assert outline_of([]) == []


@given(SITES.filter(bool))
def test_an_outline_goes_round_every_site(sites: frozenset[tuple[int, int]]) -> None:
    """No site's centre lies outside the outline's extent, which is half a step beyond the outermost."""
    line = outline_of(sites)
    assert min(x for x, _ in line) == min(c for _, c in sites) - 0.5
    assert max(y for _, y in line) == max(r for r, _ in sites) + 0.5
    assert all((ax == bx) != (ay == by) for (ax, ay), (bx, by) in zip(line, line[1:] + line[:1], strict=True))
