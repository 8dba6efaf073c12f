"""The API's schema of what is logged comes from the declarations, and means what the records mean."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from app.core.quantities import QUANTITIES
from app.core.step_catalogue import STEPS

if TYPE_CHECKING:
    from starlette.testclient import TestClient


def test_every_quantity_has_the_declared_schema(client: TestClient) -> None:
    """Label, unit and hard range of each quantity are what is declared."""
    told = client.get("/api/v1/quantities").json()
    assert told.keys() == QUANTITIES.keys()
    for name, schema in told.items():
        declared = QUANTITIES[name]
        assert (schema["title"], schema["x-unit"]) == (declared.label, declared.unit)
        assert (schema.get("minimum"), schema.get("maximum")) == declared.hard


@pytest.mark.parametrize("kind", sorted(STEPS))
def test_every_step_kind_has_a_sound_schema(client: TestClient, kind: str) -> None:
    """A valid JSON Schema (draft 2020-12) that holds each declared setting, and refuses one that is not."""
    schema = client.get(f"/api/v1/step-kinds/{kind}").json()
    Draft202012Validator.check_schema(schema)
    assert {setting.name for setting in STEPS[kind].settings} <= schema["properties"].keys()
    validator = Draft202012Validator(schema)
    validator.validate({})
    with pytest.raises(ValidationError):
        validator.validate({"no_such_setting": 1})


def test_an_impossible_value_is_outside_the_schema(client: TestClient) -> None:
    """What a form refuses, the schema refuses too: a negative time, 200 °C in an oxide bath."""
    validator = Draft202012Validator(client.get("/api/v1/step-kinds/oxide_etch").json())
    validator.validate({"etch_s": 1200.0, "bath_c": 21.5})
    for wrong in ({"etch_s": -1.0}, {"bath_c": 200.0}):
        with pytest.raises(ValidationError):
            validator.validate(wrong)


def test_an_unknown_step_kind_is_a_problem_document(client: TestClient) -> None:
    """RFC 9457: status and words, no page."""
    answer = client.get("/api/v1/step-kinds/wishing")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("application/problem+json")
