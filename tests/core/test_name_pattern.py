"""File names read by patterns people write."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.name_pattern import BadPattern, Named, read_name, read_pattern

CODES = ("W001-1-0101", "W001-1-0102", "W001-1-01", "F031-05")


@pytest.mark.parametrize(
    ("pattern", "name", "said"),
    [
        ("{device}{any}", "W001-1-0101.csv", Named("W001-1-0101")),
        ("{device}{any}", "w001-1-0102_new3.txt", Named("W001-1-0102")),
        ("{device}_{mode}_{any}.csv", "W001-1-0101_mode 2_run.7.csv", Named("W001-1-0101", "mode 2")),
        ("{device}-{mode}.csv", "W001-1-0101-TE1.CSV", Named("W001-1-0101", "TE1")),
        ("{any} {device} {wavelength_nm} nm.dat", "run 5.dat", None),
        (
            "scan_{device}_{wavelength_nm}nm_{power_uw}uW.csv",
            "scan_F031-05_1550,12nm_3p5uW.csv",
            Named("F031-05", None, 1550.12, 3.5),
        ),
        ("{device}_{position_um}um.csv", "F031-05_-0.25um.csv", Named("F031-05", position_um=-0.25)),
        ("{any}_{device}", "new3_F031-05", Named("F031-05")),
    ],
)
def test_a_name_says_what_its_pattern_says(pattern, name, said):
    """Codes with hyphens, decimal commas, capital endings; letter case is of no account."""
    found = read_name(read_pattern(pattern), name, CODES)
    assert isinstance(found, str) if said is None else found == said


@pytest.mark.parametrize(
    ("pattern", "name", "why"),
    [
        ("{device}{any}", "new3.csv", "No device"),
        ("{device}{any}", "W001-1-01013.csv", "No device"),
        ("{device}.csv", "F031-05_more.csv", "No device"),
        ("{device}_{power_uw}uW.csv", "F031-05_highuW.csv", "no power"),
        ("x{any}_{device}", "y_F031-05", "is missing"),
    ],
)
def test_a_name_that_does_not_fit_is_told_why(pattern, name, why):
    """Never the nearest device: a code that is the beginning of a longer word is not taken."""
    assert why in read_name(read_pattern(pattern), name, CODES)


@pytest.mark.parametrize(
    ("pattern", "why"),
    [
        ("", "is needed"),
        ("{devise}.csv", "no placeholder"),
        ("{device}_{device}", "twice"),
        ("{mode}{any}", "must stand between"),
        ("{device", "brace"),
        ("x" * 300, "at most"),
    ],
)
def test_a_pattern_that_cannot_be_is_refused_in_words(pattern, why):
    """Before any file is looked at."""
    with pytest.raises(BadPattern, match=why):
        read_pattern(pattern)


@given(st.text(max_size=80), st.sampled_from(["{device}{any}", "{any}_{device}_{any}", "a{mode}b{any}c{device}"]))
def test_any_name_is_read_or_refused(name, pattern):
    """No name breaks the reading, and a device that is read is one of the lab's."""
    found = read_name(read_pattern(pattern), name, CODES)
    assert isinstance(found, str) or found.device in CODES


@given(st.text(max_size=40))
def test_any_pattern_is_read_or_refused_and_signs_stand_for_themselves(text):
    """Stars, dots and brackets are only what they are: text fits itself."""
    try:
        pattern = read_pattern(text)
    except BadPattern:
        return
    if "{" not in text and len(text.casefold()) == len(text):
        assert read_name(pattern, text.strip(), CODES) == Named()
