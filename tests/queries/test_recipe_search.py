"""Searching recipes by the Q they made: what is pooled, what is ranked, what is left open."""

from __future__ import annotations

from datetime import timedelta
from statistics import median

import pytest

from app.core.search_fields import filters, groupings, search_fields
from app.db.columns import view_types
from app.db.session import Database
from app.queries.recipe_search import Range, RecipeAsk, RecipeFigures, recipe_figures
from tests.queries.small_lab import SmallLab, sites

GOOD = [1.1e8, 1.2e8, 1.3e8, 1.25e8, 1.15e8]
POOR = [4.0e7, 5.0e7, 4.5e7, 5.5e7, 4.2e7]


def search(database: Database, ask: RecipeAsk | None = None) -> RecipeFigures:
    """The search's figures."""
    with database.reading() as session:
        return recipe_figures(session, ask or RecipeAsk(by=("reflow_recipe_version_id",)))


@pytest.fixture
def lab(database: Database) -> SmallLab:
    """Six wafers of ten devices: on each, half melted by a better version in one sitting, half by a poorer one."""
    lab = SmallLab(database)
    lab.specification("microtoroid", 1e8, band="1550 nm", medium="air")
    poor, good = lab.recipe("Melt 90", "reflow", versions=2)
    for number in range(6):
        piece, devices = lab.patterned(f"W00{number + 1}", sites(2, 5))
        lab.step("oxide_etch", [piece])
        lab.undercut([piece], cycles=20 + 2 * (number % 2))
        lab.at += timedelta(days=7)
        sitting = lab.sitting()
        with lab.one_deed():
            for device, q in zip(devices, [*GOOD, *POOR], strict=True):
                version = good if q > 1e8 else poor
                lab.shot(device, sitting, "good", recipe_version_id=version, exposure_s=2.0 if q > 1e8 else 3.0)
                lab.measure(device, q * (1 + 0.02 * number), picked="all")
    return lab


def test_better_version_leads_and_the_poorer_one_does_not(lab: SmallLab) -> None:
    """Thirty devices from six wafers and six sittings each: the better version leads nearly always."""
    found = search(lab.database)
    first, second = found.groups.ranked
    assert (first.name, second.name) == ("Melt 90, version 2", "Melt 90, version 1")
    assert (first.devices, first.typical.wafers, first.typical.sessions) == (30, 6, 6)
    assert (first.leads_in or 0) > 95
    assert first.typical.q == pytest.approx(median([q * (1 + 0.02 * n) for q in GOOD for n in range(6)]))
    assert first.typical.interval is not None
    assert not first.alone_in_its_day
    assert first.modes_per_device == 1


def test_share_on_specification_has_interval_and_bounds(lab: SmallLab) -> None:
    """Every good rim was measured: the bounds close on the share itself."""
    first, second = search(lab.database).groups.ranked
    assert first.coverage is not None
    assert second.coverage is not None
    assert first.coverage.on_spec.measured.share == 1
    assert second.coverage.on_spec.measured.share == 0
    assert first.coverage.on_spec.bounds is not None
    assert (first.coverage.on_spec.bounds.low, first.coverage.on_spec.bounds.high) == (1, 1)
    assert first.coverage.on_spec.measured.interval is not None


def test_band_medium_and_kind_are_never_pooled(lab: SmallLab) -> None:
    """A record Q in water at another wavelength moves nothing in air at 1550 nm."""
    before = search(lab.database)
    lab.measure(1, 9e9, band="780 nm", medium="water")
    after = search(lab.database)
    assert [g.typical.q_best for g in after.groups.ranked] == [g.typical.q_best for g in before.groups.ranked]
    assert [(m.band, m.medium, m.devices) for m in after.measured] == [("1550 nm", "air", 60), ("780 nm", "water", 1)]
    wet = search(lab.database, RecipeAsk(band="780 nm", medium="water", by=("reflow_recipe_version_id",)))
    assert [group.devices for group in wet.groups.few] == [1]
    assert wet.specification is None
    assert search(lab.database, RecipeAsk(kind="microsphere")).devices == 0


def test_one_lucky_device_is_not_ranked_and_is_told_what_it_would_take(lab: SmallLab) -> None:
    """A third version with one device of 9 × 10⁸ stays outside the ranking."""
    (_, lucky) = lab.recipe("Melt 95", "reflow", versions=2)
    _piece, devices = lab.patterned("W009", sites(1, 1))
    lab.shot(devices[0], lab.sitting(), "good", recipe_version_id=lucky)
    lab.measure(devices[0], 9e8)
    found = search(lab.database)
    assert next(g.name for g in found.groups.ranked) == "Melt 90, version 2"
    (few,) = found.groups.few
    assert (few.name, few.more_devices, few.more_wafers, few.leads_in) == ("Melt 95, version 2", 7, 1, None)


def test_groups_by_settings_and_filters_by_any_quantity(lab: SmallLab) -> None:
    """Exposure and cycles make four groups; a range keeps only what was measured within it and counts what was not."""
    both = search(lab.database, RecipeAsk(by=("reflow_exposure_s", "undercut_cycles")))
    names = {group.name for group in (*both.groups.ranked, *both.groups.few)}
    assert names == {"2.00\u00a0s · 20", "2.00\u00a0s · 22", "3.00\u00a0s · 20", "3.00\u00a0s · 22"}
    assert both.parts["2.00\u00a0s · 20"] == ("2.00\u00a0s", "20")
    short = search(lab.database, RecipeAsk(ranges=(Range("reflow_exposure_s", None, 2.5),)))
    assert short.devices == 30
    sized = search(lab.database, RecipeAsk(ranges=(Range("pillar_ratio", 0.3, 0.5),)))
    assert sized.devices == 0
    assert [(left.label, left.devices) for left in sized.left_out] == [("Pillar ratio", 60)]


def test_wafers_and_dates_narrow_the_search(lab: SmallLab) -> None:
    """Wafers by code, dates by when the device was reflowed; an unknown code is named."""
    assert search(lab.database, RecipeAsk(wafers=("W001", "W002"))).devices == 20
    assert search(lab.database, RecipeAsk(wafers=("W001", "W777"))).unknown_wafers == ("W777",)
    late = lab.at - timedelta(days=8)
    assert search(lab.database, RecipeAsk(start=late)).devices == 20
    assert search(lab.database, RecipeAsk(end=late)).devices == 40


def test_versions_each_run_on_a_day_of_their_own_cannot_be_told_from_the_day(database: Database) -> None:
    """One sitting a version: the difference may be the day's, and the page says so."""
    lab = SmallLab(database)
    versions = lab.recipe("Melt 90", "reflow", versions=2)
    pieces = [lab.patterned(f"W00{n}", sites(2, 4))[1] for n in (1, 2)]
    for version, values in zip(versions, (GOOD, POOR), strict=True):
        sitting = lab.sitting()
        with lab.one_deed():
            for devices in pieces:
                half = devices[:4] if values is GOOD else devices[4:]
                for device, q in zip(half, values, strict=False):
                    lab.shot(device, sitting, "good", recipe_version_id=version)
                    lab.measure(device, q)
    found = search(database)
    assert found.groups.cannot_be_told_from_the_day
    assert all(group.alone_in_its_day for group in found.groups.ranked)
    assert all(group.typical.interval is None for group in found.groups.ranked)


def test_test_devices_are_left_out_until_asked_for(lab: SmallLab) -> None:
    """Candidates by default; another purpose is another search."""
    lab.repurpose(1, "test")
    assert search(lab.database).devices == 59
    assert search(lab.database, RecipeAsk(purpose="test")).devices == 1
    assert search(lab.database, RecipeAsk(purpose="")).devices == 60


def test_empty_lab_has_no_groups(database: Database) -> None:
    """Nothing measured: nothing ranked, nothing invented."""
    found = search(database)
    assert (found.devices, found.place, found.groups.ranked, found.groups.few) == (0, None, (), ())


@pytest.mark.parametrize("kind", ["microtoroid", "microsphere"])
def test_every_field_is_a_column_of_the_device_table(kind: str) -> None:
    """What the declarations of the steps offer for searching is there to be searched, under one name each."""
    known = {*view_types(), "band_days_to_scan"}
    fields = search_fields(kind)
    assert set(fields) <= known
    assert "reflow_power_w" in filters(kind)
    assert {"reflow_recipe_version_id", "reflow_exposure_s"} <= set(groupings(kind))
    assert "pillar_ratio" not in groupings(kind)
