"""The yield page's figures against a lab small enough to count by hand."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import isclose
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.core.columns import Columns
from app.core.stages import PieceStanding, states
from app.core.standing import state_columns
from app.core.stats.step_table import step_table
from app.core.vocab import STAGES, STATES
from app.db.session import Database
from app.queries.device_export import device_rows
from app.queries.recipe_search import RecipeAsk, recipe_figures
from app.queries.yields import YieldAsk, YieldFigures, yield_figures
from tests.queries.small_lab import START, SmallLab, sites

ZONE = ZoneInfo("Europe/Vienna")


def figures(database: Database, *, now: datetime | None = None, **ask: Any) -> YieldFigures:
    """The page's figures for an ask."""
    with database.reading() as session:
        return yield_figures(session, YieldAsk(**ask), now=now or START + timedelta(days=3), zone=ZONE)


def counts(found: YieldFigures) -> dict[str, dict[str, int]]:
    """States with any device in them, by stage."""
    return {row.stage: {state: n for state, n in row.counts.items() if n} for row in found.table.stages}


@pytest.fixture
def lab(database: Database) -> SmallLab:
    """Ten devices on W001 in every state, four on W002 which was dropped, two on W003 which was ended."""
    lab = SmallLab(database)
    first, d = lab.patterned("W001", sites(2, 5))
    second, e = lab.patterned("W002", sites(1, 4))
    third, _ = lab.patterned("W003", sites(1, 2))
    lab.repurpose(d[6], "test")
    lab.inspect(
        "patterned",
        {d[2]: "reject", d[4]: "good", e[0]: "good", e[1]: "reject"},
        {d[2]: ("rough_edge", "lithography")},
    )
    lab.step("oxide_etch", [first, second])
    lab.lose_piece(second)
    lab.end(third)
    lab.undercut([first])
    lab.inspect("undercut", {d[3]: "reject"}, {d[3]: ("wicking", None)})
    sitting = lab.sitting()
    lab.shot(d[0], sitting, "good")
    lab.shot(d[1], sitting, "off_centre")
    lab.shot(d[5], sitting)
    lab.shot(d[6], sitting, "good")
    lab.shot(d[7], sitting, "not_closed")
    lab.shot(d[7], sitting, "good", sequence=2)
    lab.shot(d[8], sitting)
    lab.inspect("reflowed", {d[8]: "reject"})
    lab.inspect("reflowed", {d[8]: "usable"})
    lab.devices = d  # type: ignore[attr-defined]
    return lab


def test_every_state_is_counted_as_by_hand(lab: SmallLab) -> None:
    """Each device stands in one state at each stage, and a test device in none."""
    found = figures(lab.database)
    assert counts(found) == {
        "patterned": {"passed": 7, "failed": 2, "not_looked_at": 4, "lost_with_piece": 2},
        "oxide_etched": {
            "passed": 5,
            "not_looked_at": 3,
            "lost_earlier": 4,
            "lost_with_piece": 1,
            "not_taken_forward": 2,
        },
        "undercut": {"passed": 5, "failed": 1, "not_looked_at": 2, "lost_earlier": 5, "not_taken_forward": 2},
        "reflowed": {
            "passed": 3,
            "failed": 1,
            "not_looked_at": 1,
            "waiting": 2,
            "lost_earlier": 6,
            "not_taken_forward": 2,
        },
    }
    assert found.table.candidates == 15


def test_yields_are_of_the_decided_and_the_share_decided_stands_beside(lab: SmallLab) -> None:
    """Step yield is passed of decided; rolled is their product; final is good of all whose fate is settled."""
    found = figures(lab.database)
    by = {row.stage: row.step for row in found.table.stages}
    assert [(by[s].passed, by[s].decided, by[s].attempted) for s in STAGES["microtoroid"]] == [
        (7, 9, 13),
        (5, 5, 8),
        (5, 6, 8),
        (3, 4, 5),
    ]
    assert by["oxide_etched"].grey
    assert not by["reflowed"].grey
    assert isclose(found.table.rolled.share or 0, 7 / 9 * 1 * 5 / 6 * 3 / 4)
    assert (found.table.final.passed, found.table.final.decided) == (3, 10)


def test_first_pass_forgives_neither_second_shot_nor_reinstatement(lab: SmallLab) -> None:
    """Of three good rims one was good at the first go: one took two shots, one was rejected before."""
    reflowed = figures(lab.database).table.stages[-1]
    assert (reflowed.first_pass.passed, reflowed.first_pass.decided) == (1, 4)


def test_a_piece_lost_is_one_event_outside_the_steps(lab: SmallLab) -> None:
    """The dropped wafer stands once, with three devices under way; its reject is not counted again."""
    found = figures(lab.database)
    assert [(lost.code, lost.cause, lost.under_way, lost.good) for lost in found.lost] == [("W002", "dropped", 3, 0)]
    assert [(ended.code, ended.devices) for ended in found.ended] == [("W003", 2)]


def test_losses_stand_by_cause_and_by_where_they_were_found(lab: SmallLab) -> None:
    """A defect's cause comes from the record, else from the kind of defect, else it is not said."""
    losses = figures(lab.database).losses
    cells = {
        (row.cause, stage): cell.count
        for row in losses.rows
        for stage, cell in zip(losses.found, row.cells, strict=True)
        if cell.count
    }
    assert cells == {
        ("lithography", "patterned"): 1,
        ("not_said", "patterned"): 1,
        ("oxide_etch", "undercut"): 1,
        ("reflow", "reflowed"): 1,
    }
    assert (losses.total, losses.found_late) == (4, 1)
    reflow = next(row for row in losses.rows if row.cause == "reflow")
    assert [cell.possible for cell in reflow.cells] == [False, False, False, True, True]


def test_a_good_rim_broken_at_the_taper_stays_passed_and_shows_after(lab: SmallLab) -> None:
    """What breaks after the last stage is a loss found later, not a failed reflow."""
    lab.lose_device(lab.devices[0])  # type: ignore[attr-defined]
    found = figures(lab.database)
    assert found.table.stages[-1].counts["passed"] == 3
    handling = next(row for row in found.losses.rows if row.cause == "handling")
    assert handling.cells[-1].count == 1


def test_few_acts_are_shown_one_by_one_without_a_pooled_interval(lab: SmallLab) -> None:
    """One sitting decided the reflows: it is named with its day and wafer, and nothing is claimed beyond it."""
    found = figures(lab.database)
    assert found.table.stages[-1].step.interval is None
    (act,) = found.acts["reflowed"]
    assert (act.name, act.passed, act.decided) == ("2 Mar 2026, W001", 3, 4)
    assert len(found.acts["patterned"]) == 2


def test_a_piece_untouched_for_sixty_days_has_stalled_but_nothing_failed(lab: SmallLab) -> None:
    """Time alone turns waiting into stalled with its age, never into failed."""
    soon, late = figures(lab.database), figures(lab.database, now=START + timedelta(days=75))
    waits = {wait.stage: wait for wait in soon.waiting}
    assert {stage: wait.devices for stage, wait in waits.items() if wait.devices} == {"reflowed": 2, "scan": 3}
    assert not waits["reflowed"].stalled
    (stalled,) = next(wait for wait in late.waiting if wait.stage == "reflowed").stalled
    assert (stalled.code, stalled.devices, round(stalled.days)) == ("W001", 2, 74)
    assert counts(late) == counts(soon)


def test_purpose_changed_after_a_stage_leaves_that_stage_alone(database: Database) -> None:
    """A candidate that passed lithography and then became a test device still counts at lithography only."""
    lab = SmallLab(database)
    _, devices = lab.patterned("W001", sites(1, 2))
    lab.inspect("patterned", dict.fromkeys(devices, "good"))
    lab.repurpose(devices[0], "test")
    found = figures(database)
    assert [row.counted for row in found.table.stages] == [2, 1, 1, 1]


def test_a_voided_record_counts_nowhere(lab: SmallLab) -> None:
    """Voiding the inspection that rejected a device brings it back among those not looked at."""
    with lab.database.writing("void", operator_id=1) as w:
        from app.db.models.seen import Inspection

        seen = next(i for i in w.session.query(Inspection).order_by(Inspection.id) if i.stage == "patterned")
        seen.voided_at, seen.void_reason = w.now, "mistyped"
    assert counts(figures(lab.database))["patterned"].get("failed") is None


def test_dates_and_wafer_narrow_the_table(lab: SmallLab) -> None:
    """The table goes by date of first exposure, and by wafer where one is named."""
    assert figures(lab.database, wafer="W002").table.candidates == 4
    assert figures(lab.database, end=START + timedelta(hours=1, minutes=30)).table.candidates == 9
    nothing = figures(lab.database, start=START + timedelta(days=1))
    assert nothing.none_here
    assert not nothing.empty
    assert nothing.table.rolled.share is None


def test_groups_go_by_wafer_recipe_person_and_month(database: Database) -> None:
    """For recipe, person and month each stage goes by who did its own step, with what, when."""
    lab = SmallLab(database)
    melt = lab.recipe("Melt 90", "reflow", versions=2)
    one, a = lab.patterned("W001", sites(1, 3))
    two, b = lab.patterned("W002", sites(1, 3), operator_id=2)
    lab.step("oxide_etch", [one, two])
    lab.undercut([one, two])
    lab.at += timedelta(days=30)
    sitting = lab.sitting()
    for device in a:
        lab.shot(device, sitting, "good", recipe_version_id=melt[1])
    for device in b:
        lab.shot(device, sitting, "over_melted", recipe_version_id=melt[0], operator_id=2)

    def last(by: str) -> dict[str, tuple[int, int]]:
        groups = figures(database, by=by, now=lab.at).groups
        return {g.name: (g.cells[-1].passed, g.cells[-1].decided) for g in groups}

    assert last("wafer") == {"W001": (3, 3), "W002": (0, 3)}
    assert last("recipe") == {"Melt 90, version 1": (0, 3), "Melt 90, version 2": (3, 3)}
    assert last("person") == {"AB, Anna Berg": (3, 3), "CD, Carl Dahl": (0, 3)}
    assert last("month") == {"2026-03": (0, 0), "2026-04": (6 - 3, 6)}
    assert last("mask") == {"SORB-1, array 1": (3, 6)}


def test_coverage_stands_below_with_bounds_and_how_devices_were_picked(database: Database) -> None:
    """Two of four good rims were measured because they looked good: bounds run from all missing to all hitting."""
    lab = SmallLab(database)
    lab.specification("microtoroid", 1e8, band="1550 nm", medium="air")
    piece, devices = lab.patterned("W001", sites(1, 5))
    lab.step("oxide_etch", [piece])
    lab.undercut([piece])
    sitting = lab.sitting()
    for device in devices:
        lab.shot(device, sitting, "good")
    lab.measure(devices[0], 2e8, picked="best_looking")
    lab.measure(devices[1], 5e7, picked="all")
    lab.measure(devices[2], 3e8, medium="water")
    lab.measure(devices[3], 3e8, grade="C")
    covered = figures(database).coverage
    assert covered is not None
    assert (covered.good, covered.characterised, covered.only_bounds) == (5, 2, 1)
    assert covered.picked == {"all": 1, "best_looking": 1}
    assert covered.on_spec.picked == "best_looking"
    assert (covered.on_spec.measured.passed, covered.on_spec.measured.decided) == (1, 2)
    assert covered.on_spec.bounds is not None
    assert (covered.on_spec.bounds.low, covered.on_spec.bounds.high) == (1 / 5, 4 / 5)
    assert covered.rolled is None


def test_share_on_specification_is_rolled_in_only_where_all_or_a_random_choice_was_measured(
    database: Database,
) -> None:
    """Devices all measured speak for the rest, so that their share is multiplied in."""
    lab = SmallLab(database)
    lab.specification("microsphere", 1e8)
    _, devices = lab.fibres("F001", 4)
    sitting = lab.sitting()
    for device, q in zip(devices, (2e8, 3e8, 5e7, 4e8), strict=True):
        lab.shot(device, sitting, "good")
        lab.measure(device, q, picked="all")
    covered = figures(database, kind="microsphere").coverage
    assert covered is not None
    assert covered.rolled is not None
    assert covered.rolled.share == 3 / 4


def test_second_cleave_takes_first_pass_from_fibre_ends(database: Database) -> None:
    """Spheres walk the shorter route: prepared, melted; a second cleave is no first pass."""
    lab = SmallLab(database)
    _, devices = lab.fibres("F001", 3, recleaved=True)
    sitting = lab.sitting()
    for device in devices:
        lab.shot(device, sitting, "good")
    prepared, melted = figures(database, kind="microsphere").table.stages
    assert (prepared.step.passed, prepared.first_pass.passed) == (3, 0)
    assert (melted.step.passed, melted.first_pass.passed) == (3, 3)


def test_empty_lab_says_so(database: Database) -> None:
    """Nothing in hand yet: no figure is made up."""
    found = figures(database)
    assert found.empty
    assert found.none_here
    assert all(row.step.share is None for row in found.table.stages)


OUTCOMES = st.sampled_from(["", "", "passed", "failed"])


@st.composite
def device(draw: st.DrawFn) -> dict[str, Any]:
    """What the table holds of one device, in any mixture however odd."""
    row: dict[str, Any] = {f"{s}_outcome": draw(OUTCOMES) for s in STAGES["microtoroid"]}
    row |= {f"{s}_counts": draw(st.booleans()) for s in STAGES["microtoroid"]}
    row |= {f"{step}_count": draw(st.integers(0, 2)) for step in ("lithography", "oxide_etch", "undercut")}
    row["lost"], row["piece_lost"], row["ended"], row["shots"] = draw(st.tuples(*[st.booleans()] * 4))
    row["act"], row["wafer"] = draw(st.integers(1, 4)), draw(st.sampled_from(["W1", "W2", "W3"]))
    return row


def as_columns(rows: list[dict[str, Any]]) -> Columns:
    """The rows as the device table's columns."""

    def objects(name: str) -> Any:
        return np.array([row[name] for row in rows], dtype=object)

    def instant(name: str) -> Any:
        return np.array(["2026-03-02" if row[name] else "NaT" for row in rows], dtype="datetime64[us]")

    data: dict[str, Any] = {f"{s}_outcome": objects(f"{s}_outcome") for s in STAGES["microtoroid"]}
    for s in STAGES["microtoroid"]:
        data[f"{s}_counts"] = np.array([row[f"{s}_counts"] for row in rows], dtype=bool)
        data[f"{s}_first"] = np.ones(len(rows), dtype=bool)
    for step in ("lithography", "oxide_etch", "undercut"):
        data[f"{step}_count"] = np.array([row[f"{step}_count"] for row in rows], dtype=float)
    data["fibre_preparation_count"] = np.zeros(len(rows))
    for name in ("lithography_id", "oxide_etch_event_id", "undercut_event_id", "reflow_session_id"):
        data[name] = np.array([row["act"] for row in rows], dtype=float)
    data |= {"lost_at": instant("lost"), "piece_lost_at": instant("piece_lost")}
    data["ended"] = np.array([row["ended"] for row in rows], dtype=bool)
    data["reflow_shots"] = np.array([row["shots"] for row in rows], dtype=float)
    blank = np.array(["" for _ in rows], dtype=object)
    data |= {
        "whereabouts": blank,
        "arrived_stage": blank,
        "piece_code": objects("wafer"),
        "root_code": objects("wafer"),
    }
    return Columns(data, len(rows))


@settings(max_examples=60, deadline=None)
@given(st.lists(device(), min_size=1, max_size=25))
def test_counts_add_up_to_candidates_whatever_happened(rows: list[dict[str, Any]]) -> None:
    """Every candidate is in exactly one state at each stage, the same as if each were judged alone."""
    columns = as_columns(rows)
    table = columns.with_columns(state_columns("microtoroid", columns))
    steps = {"patterned": "lithography", "oxide_etched": "oxide_etch", "undercut": "undercut"}
    for i, row in enumerate(rows):
        done = frozenset(stage for stage, step in steps.items() if row[f"{step}_count"])
        own = {s: row[f"{s}_outcome"] for s in STAGES["microtoroid"]}
        standing = PieceStanding(done, lost=row["piece_lost"], ended=row["ended"])
        alone = states("microtoroid", own, standing, lost=row["lost"], shot=row["shots"])
        assert alone == {s: table[f"{s}_state"][i] for s in STAGES["microtoroid"]}
    found = step_table("microtoroid", table)
    for stage in found.stages:
        assert stage.counted == sum(row[f"{stage.stage}_counts"] for row in rows)
        assert set(stage.counts) == set(STATES)
        assert stage.step.passed <= stage.step.decided <= stage.step.attempted <= stage.counted
        assert sum(act.decided for act in stage.step.acts) == stage.step.decided
    assert 0 <= found.good <= found.final.decided <= found.candidates or not found.candidates


def test_a_low_q_narrows_the_bounds_even_where_a_size_is_unknown(database: Database) -> None:
    """Where the specification asks for a pillar ratio nobody measured, nothing is judged, but a low Q is a miss."""
    lab = SmallLab(database)
    lab.specification("microtoroid", 1e8, pillar_ratio_min=0.3, pillar_ratio_max=0.5)
    piece, devices = lab.patterned("W001", sites(1, 4))
    lab.undercut([piece])
    sitting = lab.sitting()
    for device in devices:
        lab.shot(device, sitting, "good")
    lab.measure(devices[0], 2e7)
    lab.measure(devices[1], 2e8)
    covered = figures(database).coverage
    assert covered is not None
    assert (covered.characterised, covered.unsized, covered.on_spec.measured.decided) == (2, 2, 0)
    assert covered.on_spec.bounds is not None
    assert (covered.on_spec.bounds.low, covered.on_spec.bounds.high) == (0, 3 / 4)


def test_both_databases_count_alike(either_database: Database) -> None:
    """The device table, pieces lost and groups read the same on SQLite and PostgreSQL."""
    lab = SmallLab(either_database)
    first, d = lab.patterned("W001", sites(1, 3))
    second, _ = lab.patterned("W002", sites(1, 2))
    lab.step("oxide_etch", [first, second])
    lab.lose_piece(second)
    lab.undercut([first])
    sitting = lab.sitting()
    lab.shot(d[0], sitting, "good")
    lab.shot(d[1], sitting, "over_melted")
    lab.measure(d[0], 2e8)
    found = figures(either_database)
    assert counts(found)["reflowed"] == {"passed": 1, "failed": 1, "waiting": 1, "lost_earlier": 2}
    assert [(lost.code, lost.under_way) for lost in found.lost] == [("W002", 2)]
    assert [group.name for group in found.groups] == ["W001", "W002"]
    with either_database.reading() as session:
        assert len(device_rows(session).rows) == 5
        assert recipe_figures(session, RecipeAsk()).devices == 1
