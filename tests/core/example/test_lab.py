"""The invented lab holds what it promises, always the same, and only what could have been logged."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from statistics import median
from typing import TypeVar

import pytest

from app.core.example import happenings as told
from app.core.example import stock, truth
from app.core.example.lab import ExampleLab, example_lab
from app.core.quantities import QUANTITIES
from app.core.step_catalogue import STEPS

TODAY = date(2026, 3, 4)


@pytest.fixture(scope="module")
def lab() -> ExampleLab:
    """The small lab."""
    return example_lab(TODAY)


Kind = TypeVar("Kind", bound=told.Happening)


def of_kind(lab: ExampleLab, kind: type[Kind]) -> list[Kind]:
    """Its happenings of one kind."""
    return [happening for happening in lab.happenings if isinstance(happening, kind)]


def test_it_is_always_the_same(lab: ExampleLab) -> None:
    """The same day gives the same lab to the last bit of every scan."""
    assert example_lab(TODAY) == lab


def test_only_its_dates_follow_the_calendar(lab: ExampleLab) -> None:
    """A fortnight later everything is the same, a fortnight later."""
    later = example_lab(TODAY + timedelta(days=14))
    assert [type(each) for each in later.happenings] == [type(each) for each in lab.happenings]
    assert {b.at - a.at for a, b in zip(lab.happenings, later.happenings, strict=True)} == {timedelta(days=14)}


def test_it_covers_half_a_year_and_ends_before_today(lab: ExampleLab) -> None:
    """Nothing lies in the future, in any time zone."""
    first, last = lab.happenings[0].at, lab.happenings[-1].at
    assert timedelta(days=170) < last - first < timedelta(days=184)
    assert last.date() < TODAY


def test_it_has_the_promised_pieces(lab: ExampleLab) -> None:
    """A dozen quarter wafers with 200 to 400 sites, 40 chips, at least 900 devices, 60 fibre ends, three people."""
    assert len(of_kind(lab, told.WaferRegistered)) == 12
    for mask in of_kind(lab, told.MaskArrives):
        assert 200 <= sum(array.rows * array.columns for array in mask.arrays) <= 400
    taken = Counter[str]()
    for taking in of_kind(lab, told.SitesTaken):
        taken[taking.piece] += len(taking.sites)
    assert sum(taken.values()) >= 900
    assert max(taken.values()) < 100, "most sites are never taken in hand"
    assert sum(len(parting.chips) for parting in of_kind(lab, told.Parted)) == 40
    assert sum(taking.ends for taking in of_kind(lab, told.EndsTaken)) == 60
    assert len(of_kind(lab, told.PersonJoins)) == 3


def test_its_mishaps_are_there_to_be_found(lab: ExampleLab) -> None:
    """One dropped chip, one lent, one ended wafer, one misaligned session, a bath that aged, a damaged mask row."""
    assert [lost.cause for lost in of_kind(lab, told.PieceLost)] == ["dropped"]
    assert [moved.state for moved in of_kind(lab, told.PieceMoved)] == ["lent"]
    assert [ended.piece for ended in of_kind(lab, told.PieceEnded) if "-" not in ended.piece] == ["W010"]
    (bad,) = [session for session in of_kind(lab, told.ReflowSat) if "walked" in session.note]
    assert Counter(shot.outcome for shot in bad.shots)["off_centre"] > len(bad.shots) / 3
    etches = [step for step in of_kind(lab, told.StepDone) if step.lots.get("bath_lot_id") == "BATH-1"]
    times = [step.settings["etch_s"] for step in etches]
    assert times == sorted(times)
    assert times[-1] > 1.3 * times[0]
    crescents = [
        seen.device for look in of_kind(lab, told.Inspected) for seen in look.seen if "crescent" in seen.defects
    ]
    assert len(crescents) > 30
    assert {device[5:9] for device in crescents} == {f"{stock.DAMAGED_ARRAY}-{stock.DAMAGED_ROW:02d}"}


def test_the_second_recipes_are_better(lab: ExampleLab) -> None:
    """The middle true Q of wafers by the second recipes is several times that by the first."""
    q: dict[bool, list[float]] = {True: [], False: []}
    for scan in of_kind(lab, told.Scanned):
        if scan.device.startswith("W") and scan.sweep.intrinsic_mhz > 0:
            value = truth.LIGHT_MHZ_NM / scan.sweep.wavelength_nm / scan.sweep.intrinsic_mhz
            q[scan.device >= "W007"].append(value)
    assert median(q[True]) > 3 * median(q[False])


def test_every_setting_is_one_that_its_step_keeps(lab: ExampleLab) -> None:
    """Recipes and steps use declared settings with plausible values, so that nothing needs confirming."""
    recipes = {(made.name, made.number): made for made in of_kind(lab, told.RecipeVersionMade)}
    logged = [(made.step_kind, made.settings, made.rows) for made in recipes.values()]
    logged += [(step.kind, {**step.settings, **step.lots}, step.rows) for step in of_kind(lab, told.StepDone)]
    for kind, settings, rows in logged:
        step = STEPS[kind]
        names = {setting.name for setting in step.settings}
        assert settings.keys() <= names, kind
        for row in rows:
            assert step.rows is not None
            assert row.keys() == {setting.name for setting in step.rows.settings}
        for name, value in [*settings.items(), *(item for row in rows for item in row.items())]:
            if name in QUANTITIES:
                assert QUANTITIES[name].is_plausible(float(value)), f"{kind} {name} {value}"


def test_a_recipe_is_used_only_once_it_is_made(lab: ExampleLab) -> None:
    """No step and no session names a version from its future."""
    made = {(each.name, each.number): each.at for each in of_kind(lab, told.RecipeVersionMade)}
    for step in of_kind(lab, told.StepDone):
        assert step.pieces
        assert step.recipe is not None
        assert made[step.recipe] < step.at
    for session in of_kind(lab, told.ReflowSat):
        assert made[session.recipe] < session.at


def test_lots_and_masks_are_there_before_they_are_used(lab: ExampleLab) -> None:
    """No bath is dipped into before it is poured, no mask exposed before it is bought."""
    opened = {lot.code: lot.at for lot in of_kind(lab, told.LotOpened)}
    bought = {mask.code: mask.at for mask in of_kind(lab, told.MaskArrives)}
    for step in of_kind(lab, told.StepDone):
        assert all(opened[code] < step.at for code in step.lots.values())
        assert not step.mask or bought[step.mask] < step.at


def test_device_codes_are_unique_and_sites_are_on_their_mask(lab: ExampleLab) -> None:
    """No site is taken twice and none lies outside its array."""
    masks = {step.pieces[0]: step.mask for step in of_kind(lab, told.StepDone) if step.mask}
    sites = []
    for taking in of_kind(lab, told.SitesTaken):
        array = stock.MASKS[masks[taking.piece]][taking.exposure - 1]
        for row, column in taking.sites:
            assert 1 <= row <= array.rows
            assert 1 <= column <= array.columns
            sites.append((taking.piece, taking.exposure, row, column))
    assert len(sites) == len(set(sites))


def test_the_large_lab_goes_on_where_the_small_one_ends() -> None:
    """Several half years, with wafers numbered on."""
    large = example_lab(TODAY, "large")
    wafers = [wafer.code for wafer in of_kind(large, told.WaferRegistered)]
    assert len(wafers) == len(set(wafers)) == 96
    assert large.happenings[-1].at.date() < TODAY
