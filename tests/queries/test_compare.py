"""Group against group on Recipes and Yield, and waits that agree with In hand."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from app.db.session import Database
from app.queries.in_hand import in_hand
from app.queries.recipe_search import RecipeAsk, RecipeFigures, recipe_figures
from app.queries.yields import YieldAsk, YieldFigures, yield_figures
from tests.queries.small_lab import START, SmallLab, sites

ZONE = ZoneInfo("Europe/Vienna")
NOW = START + timedelta(days=120)


@pytest.fixture
def lab(database: Database) -> SmallLab:
    """Six wafers a week apart with four devices of each of two versions in one session; of version 1 two are bad."""
    lab = SmallLab(database)
    lab.specification("microtoroid", 1e8, band="1550 nm", medium="air")
    poor, good = lab.recipe("Melt 90", "reflow", versions=2)
    for number in range(6):
        piece, devices = lab.patterned(f"W00{number + 1}", sites(1, 8))
        lab.step("oxide_etch", [piece])
        lab.undercut([piece])
        lab.at += timedelta(days=7)
        sitting = lab.sitting()
        with lab.one_deed():
            for place, device in enumerate(devices):
                better = place < 4
                version, spoiled = (good if better else poor), place >= 6
                lab.shot(
                    device,
                    sitting,
                    "off_centre" if spoiled else "good",
                    recipe_version_id=version,
                    exposure_s=2.0 if better else 1.0,
                )
                if not spoiled and place != 3:
                    lab.measure(device, (1.2e8 if better else 6e7) * (1 + 0.02 * number + 0.01 * place), picked="all")
    return lab


def searched(database: Database, *compare: str) -> RecipeFigures:
    """The recipe search with two groups to compare."""
    with database.reading() as session:
        return recipe_figures(session, RecipeAsk(by=("reflow_recipe_version_id",), compare=compare))


def yields(database: Database, **ask: object) -> YieldFigures:
    """The yield page's figures."""
    with database.reading() as session:
        return yield_figures(session, YieldAsk(**ask), now=NOW, zone=ZONE)  # type: ignore[arg-type]


def test_two_recipes_are_held_against_each_other(lab: SmallLab, database: Database) -> None:
    """Ratio of about two within shared sessions, all against none on specification, the exposure set differently."""
    pair = searched(database, "Melt 90, version 2", "Melt 90, version 1").pair
    assert pair is not None
    assert pair.ratio.ratio == pytest.approx(2.0 / 1.03, rel=0.02)
    assert pair.ratio.interval is not None
    assert pair.ratio.settled
    assert (pair.ratio.shared_sessions, pair.ratio.shared_wafers) == (6, 6)
    assert pair.on_spec is not None
    assert pair.on_spec.change is not None
    assert pair.on_spec.change.value == pytest.approx(1.0)
    rows = {row.field.name: row for row in pair.rows}
    assert rows["reflow_exposure_s"].differs
    assert not rows["undercut_cycles"].differs
    assert (pair.rejected.first, pair.rejected.second) == ((0, 24), (12, 24))


def test_one_group_or_an_unknown_one_is_no_pair(lab: SmallLab, database: Database) -> None:
    """A search changed since the ticks were set compares nothing rather than something else."""
    assert searched(database, "Melt 90, version 2").pair is None
    assert searched(database, "Melt 90, version 2", "Melt 91, version 1").pair is None


def test_step_yields_of_two_versions_within_their_wafers(lab: SmallLab, database: Database) -> None:
    """Half of version 1 came out bad; the six wafers carry both; no product of steps for a recipe."""
    pair = yields(database, by="recipe", one=("Melt 90, version 2",), two=("Melt 90, version 1",)).pair
    assert pair is not None
    reflowed = pair.stages["reflowed"]
    assert (reflowed.first.share, reflowed.second.share) == (1.0, 0.5)
    assert reflowed.change is not None
    assert reflowed.change.value == pytest.approx(0.5)
    assert pair.shared_wafers == 6
    assert pair.rolled is None
    assert pair.both == 0


def test_wafers_and_periods_are_compared_as_wholes(lab: SmallLab, database: Database) -> None:
    """The figures of a side are those of the page that shows this side alone; three wafers claim no interval."""
    pair = yields(database, one=("W001", "W002", "W003"), two=("W004",)).pair
    assert pair is not None
    assert pair.devices == (24, 8)
    assert pair.rolled is not None
    assert pair.rolled.first.share == pytest.approx(0.75)
    assert pair.rolled.change is None
    middle = START + timedelta(days=17)
    halves = yields(database, start=middle, against_end=middle)
    assert halves.pair is not None
    alone = yields(database, start=middle)
    assert halves.pair.rolled is not None
    assert halves.pair.rolled.first.share == alone.table.rolled.share
    assert sum(halves.pair.devices) == 48


def test_what_waits_is_the_same_on_yield_and_in_hand(lab: SmallLab, database: Database) -> None:
    """Good rims without a scan and stalled pieces are counted alike on both pages."""
    found = yields(database)
    scan = found.waiting[-1]
    with database.reading() as session:
        hand = in_hand(session, NOW, NOW)
    shown = [wait for piece in (*hand.stalled, *hand.away) for wait in piece.waits]
    shown += [line.wait for group in hand.groups for line in group.lines]
    assert scan.devices == sum(wait.count or 0 for wait in shown if wait.step == "scan") == 6
    stalled = {piece.piece.code for piece in hand.stalled if any(wait.step == "scan" for wait in piece.waits)}
    assert {each.code for each in scan.stalled} == stalled
