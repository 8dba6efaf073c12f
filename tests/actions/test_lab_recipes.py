"""Recipes and specifications: versions freeze once used, say what changed, and can be told apart."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest

from app import resources
from app.actions.recipes import add_version, change_recipe, mend_version, register_recipe
from app.actions.specifications import (
    add_specification_version,
    change_specification,
    register_specification,
    seed_specifications,
)
from app.core.refusal import ChangedMeanwhile, Refusal
from app.core.step_catalogue import STEPS
from app.db.models.steps import STEP_CLASSES
from app.queries.recipes import RecipeFacts, recipe_facts
from app.queries.specifications import specification_list
from app.schemas.recipes import RecipeChangeIn, RecipeIn, RecipeVersionIn, VersionMendIn
from app.schemas.specifications import SpecificationChangeIn, SpecificationIn, SpecificationVersionIn

if TYPE_CHECKING:
    from app.db.session import Database

SEGMENT = {"cycles": 26, "cycle_s": 30.0, "xef2_torr": 3.0, "n2_torr": 0.0}
ETCH = {"etchant_ratio": "6:1", "etch_s": 1200.0, "end_point": "dewets"}


def do(database: Database, act: Callable[..., Any], *given: Any) -> Any:
    """Do one deed; returns what it gives."""
    with database.writing("deed", operator_id=None) as writing:
        return act(writing, *given)


def refusal(database: Database, act: Callable[..., Any], *given: Any) -> Refusal:
    """The Refusal a deed meets."""
    with pytest.raises(Refusal) as refused:
        do(database, act, *given)
    return refused.value


def facts(database: Database, recipe_id: int) -> RecipeFacts:
    """A recipe as its page shows it."""
    with database.reading() as session:
        found = recipe_facts(session, recipe_id)
    assert found is not None
    return found


def use(database: Database, version_id: int) -> None:
    """Log something by a version."""
    with database.writing("etch", operator_id=None) as writing:
        writing.add(
            STEP_CLASSES["oxide_etch"](done_at=writing.now, logged_at=writing.now, recipe_version_id=version_id)
        )


def test_a_recipe_keeps_settings_and_rows(database: Database) -> None:
    """Blanks are left open; rows stand under their name, empty ones left out."""
    plan = RecipeIn(name="Pillar", step_kind="undercut", rows=(SEGMENT, {"cycles": None}))
    version = do(database, register_recipe, plan)
    assert version.settings == {"segments": [SEGMENT]}
    assert facts(database, version.recipe_id).newest.rows[0][0] == "26"


def test_names_are_given_once_whatever_their_case(database: Database) -> None:
    """The refusal says which recipe has the name."""
    do(database, register_recipe, RecipeIn(name="Disc etch", step_kind="oxide_etch", settings=ETCH))
    refused = refusal(database, register_recipe, RecipeIn(name="disc ETCH", step_kind="oxide_etch", settings=ETCH))
    assert "“Disc etch” already (oxide etch)" in refused.errors[None, "name"]


@pytest.mark.parametrize(
    ("planned", "rows", "where"),
    [
        ({"etch_s": -1.0}, (), (None, "etch_s")),
        ({"etch_s": "long"}, (), (None, "etch_s")),
        ({"etch_s": True}, (), (None, "etch_s")),
        ({"spin_rpm": 4000.0}, (), (None, "spin_rpm")),
        ({"disc_after_um": 100.0}, (), (None, "disc_after_um")),
        ({"etchant_ratio": "6" * 400}, (), (None, "etchant_ratio")),
        ({}, (), (None, None)),
        (ETCH, (SEGMENT,), (None, None)),
    ],
)
def test_what_cannot_be_planned_is_refused_at_its_place(
    database: Database, planned: dict[str, Any], rows: Any, where: Any
) -> None:
    """Impossible values, settings of other steps, readings nobody can plan, and plans of nothing."""
    data = RecipeIn(name="Etch", step_kind="oxide_etch", settings=planned, rows=rows)
    assert where in refusal(database, register_recipe, data).errors


def test_unusual_plans_are_confirmed_once(database: Database) -> None:
    """Nine torr is asked about in its row, and kept when a person says so."""
    data = RecipeIn(name="Pillar", step_kind="undercut", rows=(SEGMENT, {**SEGMENT, "xef2_torr": 9.0}))
    refused = refusal(database, register_recipe, data)
    assert list(refused.confirmable) == [(1, "xef2_torr")]
    kept = data.model_copy(update={"confirmed": frozenset({(1, "xef2_torr")})})
    assert do(database, register_recipe, kept).settings["segments"][1]["xef2_torr"] == 9.0


def test_a_version_freezes_once_used(database: Database) -> None:
    """Before, it is mended in place; after, only a new version can differ."""
    first = do(database, register_recipe, RecipeIn(name="Etch", step_kind="oxide_etch", settings=ETCH))
    mended = {**ETCH, "etch_s": 1100.0}
    do(database, mend_version, first.id, VersionMendIn(settings=mended, version=1))
    assert facts(database, first.recipe_id).newest.settings == mended
    use(database, first.id)
    assert facts(database, first.recipe_id).newest.frozen
    refused = refusal(database, mend_version, first.id, VersionMendIn(settings=ETCH))
    assert "Version 1 is frozen: 1 record used it" in str(refused)
    second = do(
        database, add_version, RecipeVersionIn(recipe_id=first.recipe_id, settings=ETCH, changed="Longer: not clear")
    )
    found = facts(database, first.recipe_id)
    assert (second.number, found.newest.changed) == (2, "Longer: not clear")
    assert found.numbered(1).settings == mended  # type: ignore[union-attr]


def test_a_new_version_says_what_changed_and_differs(database: Database) -> None:
    """No words, no difference, or a version somebody else made meanwhile: each is told."""
    first = do(database, register_recipe, RecipeIn(name="Etch", step_kind="oxide_etch", settings=ETCH))
    same = RecipeVersionIn(recipe_id=first.recipe_id, settings=ETCH, changed="Nothing, really")
    assert "Nothing differs from version 1" in str(refusal(database, add_version, same))
    longer = {**ETCH, "etch_s": 1500.0}
    silent = same.model_copy(update={"settings": longer, "changed": ""})
    assert (None, "changed") in refusal(database, add_version, silent).errors
    do(database, add_version, same.model_copy(update={"settings": longer, "newest": 1}))
    late = same.model_copy(update={"settings": {**ETCH, "etch_s": 1600.0}, "newest": 1})
    assert isinstance(refusal(database, add_version, late), ChangedMeanwhile)


def test_two_versions_are_compared_setting_by_setting(database: Database) -> None:
    """Changed, added and dropped settings, rows and planned shots, in words with units."""
    first = do(database, register_recipe, RecipeIn(name="Pillar", step_kind="undercut", rows=(SEGMENT,)))
    gentle = {"cycles": 8, "cycle_s": 20.0, "xef2_torr": 2.5, "n2_torr": 0.0}
    rows = (gentle, {**SEGMENT, "cycles": 28})
    do(database, add_version, RecipeVersionIn(recipe_id=first.recipe_id, rows=rows, changed="A gentle start"))
    differences = facts(database, first.recipe_id).compare(1, 2)
    assert differences is not None
    told = {each.label: (each.before, each.after) for each in differences}
    assert told["Segment 1: Cycles"] == ("26", "8")
    assert told["Segment 2: XeF₂ pressure"] == ("", "3.00\u00a0Torr")
    assert facts(database, first.recipe_id).compare(1, 7) is None


@pytest.mark.parametrize("kind", list(STEPS))
def test_every_step_kind_can_have_a_recipe(database: Database, kind: str) -> None:
    """From the declaration alone; shots are planned only where a step is done to one device."""
    step = STEPS[kind]
    number = next((s for s in step.settings if s.planned and s.quantity and s.name != "dialled"), None)
    rows = tuple({s.name: 5.0 for s in step.rows.settings[:1]} for _ in range(1)) if step.rows else ()
    settings = {number.name: number.quantity.plausible[1]} if number and number.quantity else {}
    plan = RecipeIn(name=kind, step_kind=kind, settings=settings, rows=rows, planned_shots=2)
    if step.scope == "device":
        assert do(database, register_recipe, plan).planned_shots == 2
    else:
        assert (None, "planned_shots") in refusal(database, register_recipe, plan).errors
        do(database, register_recipe, plan.model_copy(update={"planned_shots": None}))


def test_a_recipe_can_go_out_of_use(database: Database) -> None:
    """Its versions stay, since results name them."""
    first = do(database, register_recipe, RecipeIn(name="Etch", step_kind="oxide_etch", settings=ETCH))
    do(database, change_recipe, first.recipe_id, RecipeChangeIn(name="Old etch", active=False, version=1))
    found = facts(database, first.recipe_id)
    assert (found.name, found.active, len(found.versions)) == ("Old etch", False, 1)


# --- specifications ---------------------------------------------------------------------------------------------


def test_an_empty_lab_is_given_the_usual_specifications_once(database: Database) -> None:
    """Intrinsic Q of at least 10⁸ for each kind of device: common practice for silica reflowed by a laser."""
    assert do(database, seed_specifications, resources.seed_data()) == 2
    assert do(database, seed_specifications, resources.seed_data()) == 0
    with database.reading() as session:
        found = specification_list(session)
    assert {(each.kind, each.newest.q_intrinsic_min) for each in found} == {("microtoroid", 1e8), ("microsphere", 1e8)}


def test_a_specification_grows_by_versions(database: Database) -> None:
    """The numbers before stay; the same numbers again, or a version made meanwhile, are told."""
    numbers = {"q_intrinsic_min": 1e8, "band": "1550 nm", "medium": "air"}
    first = do(database, register_specification, SpecificationIn(name="Sensor", kind="microtoroid", **numbers))
    again = SpecificationVersionIn(specification_id=first.specification_id, newest=1, **numbers)
    assert "Nothing differs" in str(refusal(database, add_specification_version, again))
    higher = again.model_copy(update={"q_intrinsic_min": 2e8})
    assert do(database, add_specification_version, higher).number == 2
    assert isinstance(refusal(database, add_specification_version, higher), ChangedMeanwhile)
    with database.reading() as session:
        words = specification_list(session)[0].newest.words
    assert words == "intrinsic Q at least 2.0 × 10⁸, at 1550 nm, in air"


@pytest.mark.parametrize(
    ("changed", "at"),
    [
        ({"q_intrinsic_min": -1.0}, "q_intrinsic_min"),
        ({"pillar_ratio_min": 0.5, "pillar_ratio_max": 0.3}, "pillar_ratio_max"),
        ({"pillar_ratio_max": 1.5}, "pillar_ratio_max"),
        ({"medium": "honey"}, "medium"),
        ({"kind": "microdisk"}, "kind"),
    ],
)
def test_a_specification_that_cannot_be_is_refused(database: Database, changed: dict[str, Any], at: str) -> None:
    """Each at its field."""
    whole = {"name": "Sensor", "kind": "microtoroid", "q_intrinsic_min": 1e8, **changed}
    assert (None, at) in refusal(database, register_specification, SpecificationIn(**whole)).errors


def test_a_specifications_name_is_its_own(database: Database) -> None:
    """Founding or renaming into a name that is taken is told at the field."""
    for name in ("Sensor", "Laser"):
        do(database, register_specification, SpecificationIn(name=name, kind="microtoroid", q_intrinsic_min=1e8))
    renamed = SpecificationChangeIn(name="sensor")
    assert (None, "name") in refusal(database, change_specification, 2, renamed).errors
