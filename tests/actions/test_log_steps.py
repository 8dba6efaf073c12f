"""Steps done to pieces: any kind from its declaration, ranges, recipes, what is impossible and what is only missing."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from app.actions.log_steps import record_step
from app.core.refusal import Refusal
from app.core.step import Setting, StepKind
from app.core.step_catalogue import PIECE_STEPS
from app.db import device_table
from app.db.models.events import Ending, Event, EventPiece
from app.db.models.facts import PIECE_FACTS
from app.db.models.material import Exposure
from app.db.models.people import QuantityRange, RangeConfirmation
from app.db.models.steps import ROW_CLASSES
from app.db.session import Database
from app.queries.log import forgotten_before
from app.queries.records import record_of
from app.schemas.log import StepIn
from tests.log_lab import ETCH, SEGMENTS, LogLab


@pytest.fixture
def lab(database: Database) -> LogLab:
    """A lab to log in."""
    return LogLab(database)


def facts(lab: LogLab, piece_id: int) -> Any:
    """The piece's row of the device table."""
    with lab.database.reading() as session:
        return session.execute(select(PIECE_FACTS).where(PIECE_FACTS.c.piece_id == piece_id)).mappings().one()


def test_one_dip_of_two_wafers_is_one_record(lab: LogLab) -> None:
    """A bath dip of two wafers is one event with two pieces, and both wafers know it."""
    event = lab.step("oxide_etch", lab.wafer, lab.second, settings={"etch_s": 1100.0}, tool_id=lab.hood)
    with lab.database.reading() as session:
        links = session.scalars(select(EventPiece.piece_id).where(EventPiece.event_id == event.id)).all()
    assert links == [lab.wafer, lab.second]
    assert facts(lab, lab.wafer)["oxide_etch_etch_s"] == facts(lab, lab.second)["oxide_etch_etch_s"] == 1100.0


def test_settings_remember_where_they_came_from(lab: LogLab) -> None:
    """What stands as planned is from the recipe, unread; what departs was typed, and the record shows both values."""
    event = lab.step("oxide_etch", recipe_version_id=lab.etch, settings={**ETCH, "etch_s": 1180.0, "rinse_s": 300.0})
    assert event.sources == {
        "etchant_ratio": "recipe",
        "bath_c": "recipe",
        "end_point": "recipe",
        "etch_s": "typed",
        "rinse_s": "typed",
    }
    with lab.database.reading() as session:
        record = record_of(session, event.id)
    assert record is not None
    lines = {line.label: line for line in record.lines}
    assert lines["Etch time"].text == "1\u202f180\u00a0s"
    assert lines["Etch time"].planned == "1\u202f090\u00a0s"
    assert lines["Bath temperature"].unread
    assert not lines["Bath temperature"].planned


def test_segments_keep_unlike_cycles_apart(lab: LogLab) -> None:
    """Segments are rows of their own; dose is worked out over them and cycles are never just added."""
    rows = (*SEGMENTS, {"cycles": 4, "cycle_s": 30.0, "xef2_torr": 2.0})
    event = lab.step("undercut", recipe_version_id=lab.undercut, rows=rows)
    with lab.database.reading() as session:
        rows_kept = session.scalars(select(ROW_CLASSES["undercut"]).order_by("sequence")).all()
        kept = [(row.cycles, row.cycle_s, row.xef2_torr, row.n2_torr) for row in rows_kept]
        record = record_of(session, event.id)
    assert kept == [(12, 60.0, 3.0, 10.0), (4, 30.0, 2.0, None)]
    assert event.sources == {"segments": "typed"}
    assert facts(lab, lab.wafer)["undercut_dose_torr_s"] == 12 * 60 * 3 + 4 * 30 * 2
    assert record is not None
    assert [line.text for line in record.lines if line.worked] == ["2\u202f400\u00a0Torr·s"]


def test_exposures_number_on_over_the_wafer(lab: LogLab) -> None:
    """Each array exposed gets the next number of the wafer it is on, so that codes of devices never meet."""
    lab.step("lithography", lab.wafer, lab.second, array_ids=(lab.array, lab.array))
    lab.step("lithography", lab.wafer, array_ids=(lab.array,), settings={"redone": True})
    with lab.database.reading() as session:
        rows = session.execute(select(Exposure.root_id, Exposure.number).order_by(Exposure.id)).all()
    assert [tuple(row) for row in rows] == [
        (lab.wafer, 1),
        (lab.wafer, 2),
        (lab.second, 1),
        (lab.second, 2),
        (lab.wafer, 3),
    ]


def test_forgotten_steps_go_in_before_with_details_unknown(lab: LogLab) -> None:
    """Steps done but never logged are entered with the one that shows it, before it and without invented details."""
    with lab.database.reading() as session:
        lacking = forgotten_before(session, "undercut", [lab.wafer])
    assert [name for name, _ in lacking] == ["lithography", "oxide_etch"]
    lab.step("undercut", rows=tuple(SEGMENTS), forgotten=tuple(name for name, _ in lacking))
    with lab.database.reading() as session:
        events = session.execute(select(Event.kind, Event.unknown).order_by(Event.done_at, Event.id)).all()
        assert forgotten_before(session, "undercut", [lab.wafer]) == []
    assert [tuple(event) for event in events] == [
        ("lithography", True),
        ("oxide_etch", True),
        ("undercut", False),
    ]


def test_details_unknown_keeps_none_and_asks_where_some_are_known(lab: LogLab) -> None:
    """`Done, details unknown` is one click, and is refused where a detail was typed, so that nothing typed is lost."""
    assert lab.step("oxide_etch", unknown=True).unknown
    with pytest.raises(Refusal) as refused:
        lab.step("oxide_etch", unknown=True, settings={"etch_s": 900.0})
    assert (None, "etch_s") in refused.value.errors


@pytest.mark.parametrize(
    ("given_", "at", "says"),
    [
        ({"settings": {"etch_s": -5.0}}, "etch_s", "cannot be"),
        ({"settings": {"etch_s": float("nan")}}, "etch_s", "not a number"),
        ({"settings": {"etch_s": "long"}}, "etch_s", "not a number"),
        ({"settings": {"etch_s": True}}, "etch_s", "not a number"),
        ({"settings": {"etchant_ratio": "6\x001"}}, "etchant_ratio", "line of text"),
        ({"settings": {"colour": "blue"}}, "colour", "no setting"),
        ({"settings": {"bath_lot_id": 99}}, "bath_lot_id", "not in the list"),
        ({"tool_id": 99}, "tool_id", "not in the list"),
        ({"recipe_version_id": 99}, "recipe_version_id", "not in the list"),
        ({"piece_ids": ()}, "pieces", "at least one piece"),
        ({"piece_ids": (1, 1)}, "pieces", "twice"),
        ({"piece_ids": (77,)}, "pieces", "not known"),
        ({"piece_ids": (3,)}, "pieces", "F001 is a fibre batch"),
        ({"array_ids": (1,)}, "array_ids", "Only lithography"),
        ({"forgotten": ("undercut",)}, "forgotten", "no step before"),
        ({"rows": ({"cycles": 3},)}, None, "no repeated settings"),
    ],
)
def test_what_cannot_be_is_refused_at_its_field(lab: LogLab, given_: dict[str, Any], at: str, says: str) -> None:
    """Impossible and unknown values are refused where they stand, and nothing is saved."""
    with pytest.raises(Refusal) as refused, lab.deed() as w:
        record_step(w, StepIn(**{"kind": "oxide_etch", "piece_ids": (lab.wafer,), **given_}))
    assert says in refused.value.errors[None, at]
    with lab.database.reading() as session:
        assert session.scalars(select(Event)).all() == []


def test_a_recipe_of_another_step_is_refused(lab: LogLab) -> None:
    """A melt recipe cannot be what an oxide etch was done by."""
    with pytest.raises(Refusal, match="recipe of another step"):
        lab.step("oxide_etch", recipe_version_id=lab.melt)


def test_an_unusual_value_is_confirmed_once_per_recipe_version(lab: LogLab) -> None:
    """Outside the plausible range a person confirms; the same or less for that version is not asked again, more is."""

    def etch(seconds: float, **more: Any) -> None:
        lab.step("oxide_etch", recipe_version_id=lab.etch, settings={"etch_s": seconds}, **more)

    with pytest.raises(Refusal) as asked:
        etch(9000.0)
    assert not asked.value.errors
    assert "unusual" in asked.value.confirmable[None, "etch_s"]
    etch(9000.0, confirmed=frozenset({(None, "etch_s")}))
    etch(8500.0)
    with pytest.raises(Refusal, match="unusual"):
        etch(9500.0)
    with pytest.raises(Refusal, match="unusual"):
        lab.step("oxide_etch", settings={"etch_s": 9000.0})
    with lab.database.reading() as session:
        (kept,) = session.scalars(select(RangeConfirmation)).all()
        assert (kept.recipe_version_id, kept.quantity, kept.value, kept.operator_id) == (lab.etch, "etch_s", 9000.0, 1)


def test_the_labs_own_plausible_range_holds(lab: LogLab) -> None:
    """A range that a lead has set replaces the declared one."""
    with lab.deed() as w:
        w.add(QuantityRange(quantity="etch_s", low=1000, high=1200))
    with pytest.raises(Refusal, match="unusual"):
        lab.step("oxide_etch", settings={"etch_s": 900.0})


def test_what_the_recipe_plans_is_not_asked_about(lab: LogLab) -> None:
    """An unusual value was confirmed when the version was made, so taking it over asks nothing."""
    with lab.deed() as w:
        version = lab._recipe(w, "Slow etch", "oxide_etch", {"etch_s": 20000.0})
    lab.step("oxide_etch", recipe_version_id=version, settings={"etch_s": 20000.0})


def test_the_future_and_an_ended_piece_are_refused(lab: LogLab) -> None:
    """A deed more than five minutes ahead, or on a piece that was ended, cannot have happened."""
    with pytest.raises(Refusal, match="in the future"):
        lab.step("oxide_etch", done_at=lab.now + timedelta(minutes=6))
    lab.step("oxide_etch", done_at=lab.now + timedelta(minutes=4))
    with lab.deed() as w:
        ending = Ending(done_at=lab.ago(days=1), logged_at=lab.now, reason="cracked")
        w.add(ending)
        w.add(EventPiece(event_id=ending.id, piece_id=lab.second))
    with pytest.raises(Refusal, match="W002 was ended"):
        lab.step("oxide_etch", lab.second)
    lab.step("oxide_etch", lab.second, done_at=lab.ago(days=2))


def _values(setting: Setting) -> st.SearchStrategy[Any]:
    if setting.quantity is not None:
        low, high = setting.quantity.plausible
        low = setting.quantity.hard[0] if low is None else low
        top = high if high is not None else 1000.0
        if setting.quantity.whole:
            return st.integers(int(low or 0), int(top))
        return st.floats(low or 0.0, top).filter(setting.quantity.is_plausible)
    if setting.kind == "choice":
        return st.sampled_from(sorted(setting.choices)) if setting.choices else st.just("other")
    if setting.kind == "flag":
        return st.booleans()
    return st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=30) if setting.kind == "text" else st.none()


def _settings(declared: tuple[Setting, ...]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({}, optional={each.name: _values(each) for each in declared})


@st.composite
def _steps(draw: st.DrawFn) -> tuple[StepKind, dict[str, Any], tuple[dict[str, Any], ...]]:
    step = draw(st.sampled_from(sorted(PIECE_STEPS.values(), key=lambda each: each.order)))
    rows = draw(st.lists(_settings(step.rows.settings), max_size=3)) if step.rows else []
    return step, draw(_settings(step.settings)), tuple(rows)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(_steps())
def test_any_plausible_settings_of_any_kind_are_kept_as_given(lab: LogLab, drawn: Any) -> None:
    """Whatever is plausible is saved as it was given, and the kept device table equals one made anew."""
    step, values, rows = drawn
    piece = lab.fibres if "wafer" not in step.pieces else lab.wafer
    event = lab.step(step.name, piece, settings=values, rows=rows)
    for name, value in values.items():
        assert getattr(event, name) == (None if value == "" else value)
    with lab.database.reading() as session:
        assert device_table.difference(session) == []
