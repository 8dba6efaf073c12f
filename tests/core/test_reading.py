"""What a person types is read as they meant it, or refused in words; nothing is guessed in silence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.quantities import QUANTITIES
from app.core.reading import Read, ReadError, read_quantity, unusual, value_text
from app.core.units import UNITS


def value(text: str, name: str) -> float:
    """The value read, which must be readable."""
    read = read_quantity(text, QUANTITIES[name])
    assert isinstance(read, Read), read
    return read.value


def error(text: str, name: str) -> str:
    """What is said of something unreadable."""
    read = read_quantity(text, QUANTITIES[name])
    assert isinstance(read, ReadError), read
    return read.text


@pytest.mark.parametrize(
    ("text", "name", "expected"),
    [
        ("2,70 W", "power_w", 2.7),
        ("2700 mW", "power_w", 2.7),
        ("2.7e3mw", "power_w", 2.7),
        ("3 min", "etch_s", 180),
        ("19 min 30 s", "etch_s", 1170),
        ("1 h 5 min", "etch_s", 3900),
        ("1 092", "etch_s", 1092),
        ("1\u202f092,5", "etch_s", 1092.5),
        ("1.234,5", "etch_s", 1234.5),
        ("1,234.5 s", "etch_s", 1234.5),
        ("1,234,567", "dose_torr_s", 1234567),
        ("1.3e8", "q_best", 1.3e8),
        ("1.3 × 10⁸", "q_best", 1.3e8),
        ("1,3x10^8", "q_best", 1.3e8),
        ("42 %", "pillar_ratio", 0.42),
        ("−4", "beam_offset_x_um", -4),
        ("0,1 mm", "beam_offset_x_um", 100),
        ("12 mJ/cm2", "dose_mj_cm2", 12),
        ("12 J/cm^2", "dose_mj_cm2", 12000),
        ("295 K", "bath_c", 21.85),
        ("1.550123 um", "wavelength_nm", 1550.123),
        ("10 kHz/s", "sweep_mhz_per_s", 0.01),
        ("40s", "cycle_s", 40),
        ("1,2 L", "chamber_cm3", 1200),
        ("800 cm3", "chamber_cm3", 800),
        (".5", "pillar_ratio", 0.5),
    ],
)
def test_numbers_as_people_write_them(text: str, name: str, expected: float) -> None:
    """Decimal comma, thin spaces, powers of ten and units behind the number are understood and converted."""
    assert value(text, name) == expected


def test_pressure_and_power_against_their_definitions() -> None:
    """760 Torr is 101.325 kPa (ISO 80000-4, by definition); 0 dBm is one milliwatt (by definition)."""
    assert value("1 kPa", "xef2_torr") == pytest.approx(760 / 101.325, rel=1e-14)
    assert value("1 mbar", "xef2_torr") == pytest.approx(0.750061683, rel=1e-8)
    assert value("0 dBm", "input_power_uw") == pytest.approx(1000)


@pytest.mark.parametrize(
    ("text", "name", "said"),
    [
        ("abc", "power_w", "not a number"),
        ("2,70 kg", "power_w", "not one of its units"),
        ("-1", "power_w", "cannot be"),
        ("3.5", "cycles", "not a whole number"),
        ("nan", "power_w", "not a number"),
        ("inf", "power_w", "not a number"),
        ("1e999", "power_w", "too large"),
        ("1 2", "power_w", "not a number"),
        ("19:30", "etch_s", "not a number"),
        ("1.2.3", "power_w", "not a number"),
        ("2 W 3 W", "power_w", "not a number"),
        ("42 %", "dialled", "not one of its units"),
        ("", "power_w", "nothing was typed"),
        ("9" * 80, "power_w", "too many"),
    ],
)
def test_what_is_no_such_quantity_is_said(text: str, name: str, said: str) -> None:
    """Each refusal names the quantity and what is wrong with what was typed."""
    words = error(text, name)
    assert said in words
    assert QUANTITIES[name].label in words


def test_what_was_understood_is_shown() -> None:
    """A converted value shows both what was typed and what is kept."""
    read = read_quantity("3 min", QUANTITIES["etch_s"])
    assert isinstance(read, Read)
    assert read.understood == "3 min = 180\u00a0s"


def test_every_declared_unit_can_be_typed() -> None:
    """No quantity is declared in a unit that would be refused behind its own number."""
    assert not {quantity.unit for quantity in QUANTITIES.values()} - set(UNITS)


def test_an_unusual_value_is_asked_about_and_not_refused() -> None:
    """Outside the plausible range, inside the possible one: a question with what is common."""
    assert unusual(2.7, QUANTITIES["power_w"]) is None
    assert "0.1\u00a0W to 60\u00a0W is common" in str(unusual(500.0, QUANTITIES["power_w"]))


@given(st.sampled_from(sorted(QUANTITIES)), st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_what_is_shown_can_be_typed_again(name: str, number: float) -> None:
    """The text of a possible value, unit and all, reads back as that value (to six figures where it is long)."""
    quantity = QUANTITIES[name]
    number = float(round(number)) if quantity.whole else number
    if quantity.is_hard(number):
        assert value(value_text(number, quantity), name) == pytest.approx(number, rel=1e-5, abs=1e-12)


@given(st.text(max_size=70), st.sampled_from(sorted(QUANTITIES)))
def test_any_text_is_answered(text: str, name: str) -> None:
    """Whatever is typed is read or refused in words, never a crash, and never outside what is possible."""
    read = read_quantity(text, QUANTITIES[name])
    if isinstance(read, Read):
        assert QUANTITIES[name].is_hard(read.value)
    else:
        assert read.text


@given(
    st.text(alphabet="0123456789.,eE-−+ ×x^⁰⁸⁻\u202fWmµuskinhTor/cm²2%°CK·", max_size=24),
    st.sampled_from(sorted(QUANTITIES)),
)
def test_any_text_that_looks_like_a_number_is_answered(text: str, name: str) -> None:
    """The same with the signs that numbers and units are made of."""
    test_any_text_is_answered.hypothesis.inner_test(text, name)  # type: ignore[attr-defined]
