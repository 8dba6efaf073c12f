"""Forms: values, errors and words by (row, field)."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import FormData

from app.core.refusal import Refusal
from app.core.step_catalogue import STEPS
from app.web import forms

NOW = datetime(2026, 3, 12, 10, 42, tzinfo=UTC)
UTC_ZONE = ZoneInfo("UTC")
ASKS = (
    forms.quantity("exposure_s", required=True),
    forms.choice("outcome", "Outcome", {"good": "Good", "gone": "Gone"}),
    forms.record("tool_id", "Tool", {"3": "Laser 1"}),
    forms.code("code", "Code"),
    forms.text("note", "Note"),
    forms.flag("by_eye", "Timed by eye"),
    forms.several("defects", "Defects", {"tweezer": "Tweezer", "dropped": "Dropped"}),
    forms.when(),
)


def typed(*items: tuple[str, str]) -> forms.Typed:
    """A form read with all kinds of fields."""
    return forms.parse_form(FormData(list(items)), ASKS, now=NOW, zone=UTC_ZONE)


def test_a_form_becomes_values() -> None:
    """Each kind of field becomes the value it means; a blank is None, an unticked box no."""
    read = typed(
        ("exposure_s", "3,0"),
        ("outcome", "good"),
        ("tool_id", "3"),
        ("code", " w012-b "),
        ("defects", "tweezer"),
        ("defects", "dropped"),
        ("done_at", "now"),
    )
    assert read.ok
    assert read.values == {
        "exposure_s": 3.0,
        "outcome": "good",
        "tool_id": 3,
        "code": "W012-B",
        "note": None,
        "by_eye": False,
        "defects": ("tweezer", "dropped"),
        "done_at": NOW,
    }


def test_what_cannot_be_read_is_said_at_its_field() -> None:
    """A missing value, an unknown choice, signs that cannot be printed: each at its own place, nothing lost."""
    read = typed(("outcome", "splendid"), ("note", "a\x00b"), ("done_at", "soon"))
    assert set(read.errors) == {(None, "exposure_s"), (None, "outcome"), (None, "note"), (None, "done_at")}
    assert read.raw[None, "done_at"] == "soon"


def test_an_unusual_value_is_a_question_until_it_is_kept() -> None:
    """An exposure far above what is common is asked about once; the person's answer closes it."""
    read = typed(("exposure_s", "90"), ("done_at", "now"))
    assert read.ok
    assert list(read.open_questions(())) == [(None, "exposure_s")]
    kept = forms.kept_of(FormData([("_keep", "exposure_s")]))
    assert not read.open_questions(kept)


def test_rows_left_blank_are_left_out_and_errors_keep_their_row() -> None:
    """Only rows with an outcome count; an error, also a rule's about the n-th row saved, says the row of the form."""
    form = FormData(
        [
            ("r0-exposure_s", "3"),
            ("r0-outcome", ""),
            ("r1-exposure_s", "x"),
            ("r1-outcome", "good"),
            ("r4-exposure_s", "3"),
            ("r4-outcome", "gone"),
        ]
    )
    read = forms.parse_rows(form, ASKS[:2], now=NOW, zone=UTC_ZONE, counts=("outcome",))
    assert read.numbers == (1, 4)
    assert set(read.errors) == {(1, "exposure_s")}
    refused = read.refused(Refusal.of("This disc is gone already.", row=1, at="outcome"))
    assert refused.errors[4, "outcome"] == "This disc is gone already."


def test_too_many_rows_are_refused() -> None:
    """A form of more rows than one can save at once is refused as a whole, in words."""
    form = FormData([(f"r{n}-outcome", "good") for n in range(1001)])
    read = forms.parse_rows(form, ASKS[:2], now=NOW, zone=UTC_ZONE)
    assert "at most 1000" in read.errors[None, None]


def test_the_unit_of_a_laser_dial_is_read_with_its_own_field() -> None:
    """`2,70 W` beside the unit W is 2.7; per cent beside W is a contradiction, never a converted number."""
    asks = [forms.of_setting(setting) for setting in STEPS["reflow"].settings]
    good = forms.parse_form(FormData([("dialled", "2,70 W"), ("dial_unit", "W")]), asks, now=NOW, zone=UTC_ZONE)
    assert good.ok
    assert good.values["dialled"] == 2.7
    bad = forms.parse_form(FormData([("dialled", "42 %"), ("dial_unit", "W")]), asks, now=NOW, zone=UTC_ZONE)
    assert "unit chosen is W" in bad.errors[None, "dialled"]


def test_a_departure_from_the_recipe_is_shown_with_the_recipes_value() -> None:
    """Another value than planned shows the planned one; the same value written otherwise does not depart."""
    ask = forms.quantity("exposure_s")
    other = forms.parse_form(FormData([("exposure_s", "2,5")]), [ask], now=NOW, zone=UTC_ZONE)
    assert forms.show(ask, other, planned=3.0).planned == "3.00\u00a0s"
    same = forms.parse_form(FormData([("exposure_s", "3000 ms")]), [ask], now=NOW, zone=UTC_ZONE)
    assert forms.show(ask, same, planned=3.0).as_planned


def test_the_forms_own_fields_are_read_and_never_part_of_the_body() -> None:
    """Key, person and confirmations travel beside the record."""
    form = FormData([("_key", "a1b2c3d4e5"), ("_operator", "7"), ("_keep", "3:exposure_s"), ("note", "x")])
    assert forms.key_of(form) == "a1b2c3d4e5"
    assert forms.operator_of(form) == 7
    assert forms.kept_of(form) == {(3, "exposure_s")}
    assert forms.body_of(form) == {"note": ["x"]}


@given(st.dictionaries(st.sampled_from([ask.name for ask in ASKS]), st.text(max_size=30)))
def test_any_form_is_answered(items: dict[str, str]) -> None:
    """Whatever is sent is read or said to be wrong at its field; shown again, it stands as typed."""
    read = typed(*items.items())
    for ask in ASKS:
        field = forms.show(ask, read)
        assert field.error or (None, ask.name) not in read.errors
