"""Modes of a silica sphere against two independent Bessel forms (agreeing to 1e-13), and against the literature."""

import pytest

from app.core.q_limits import finesse, limits, notice
from app.core.silica import refractive_index, ring_fsr_ghz
from app.core.sphere_modes import asymptotic_x, fsr_ghz, mode, modes_between, radiation_q, size_parameter

EXACT = [
    (30, "TE", 166, 1551.34113, 121.504907, 121.506557),
    (30, "TE", 167, 1542.48457, 122.202557, 122.204193),
    (30, "TM", 165, 1554.09960, 121.289240, 121.294037),
    (30, "TM", 166, 1545.20976, 121.987036, 121.991791),
    (100, "TE", 570, 1551.97369, 404.851276, 404.851559),
    (100, "TE", 571, 1549.33370, 405.541125, 405.541407),
    (100, "TM", 570, 1550.10118, 405.340334, 405.341245),
    (100, "TM", 571, 1547.46746, 406.030205, 406.031114),
]


@pytest.mark.parametrize(("radius", "polarisation", "order", "nm", "x", "seed"), EXACT)
def test_a_mode_lies_where_the_exact_equation_puts_it(radius, polarisation, order, nm, x, seed):
    """With the dispersion of Malitson 1965: wavelength to 10 fm, x to its printed digits."""
    found = mode(polarisation, 1, order, radius)
    assert found.wavelength_nm == pytest.approx(nm, abs=6e-6)
    assert found.x == pytest.approx(x, abs=6e-7)


@pytest.mark.parametrize(("radius", "polarisation", "order", "nm", "x", "seed"), EXACT)
def test_the_asymptotic_series_is_as_good_as_published(radius, polarisation, order, nm, x, seed):
    """Lam, Leung and Young, JOSA B 9, 1585 (1992), formula from memory."""
    assert asymptotic_x(polarisation, 1, order, refractive_index(nm)) == pytest.approx(seed, abs=2e-6)


@pytest.mark.parametrize(
    ("polarisation", "order", "expected"),
    [
        ("TE", 167, (122.212089, 127.748921, 132.387790)),
        ("TM", 167, (122.700399, 128.225223, 132.850933)),
        ("TE", 567, (402.755079, 410.882702, 417.608552)),
        ("TM", 567, (403.250399, 411.374290, 418.096617)),
    ],
)
def test_higher_radial_numbers_are_found_in_order(polarisation, order, expected):
    """Fixed index 1.4440, q = 1, 2, 3."""
    assert [size_parameter(polarisation, q, order, 1.444) for q in (1, 2, 3)] == pytest.approx(expected, abs=6e-7)


def test_the_free_spectral_range_of_a_sphere_is_larger_than_of_a_ring():
    """R = 30 um, l = 167: 1109.53 GHz; R = 100 um, l = 567: 329.149 GHz; a ring has 2 % and under 1 % less."""
    te = [mode("TE", 1, order, 30).wavelength_nm for order in (167, 168)]
    assert 299_792_458 * (1 / te[1] - 1 / te[0]) == pytest.approx(1109.53, abs=0.005)
    assert fsr_ghz(100, 1557.0) == pytest.approx(329.149, rel=1e-4)
    assert 0.01 < fsr_ghz(30, 1550) / ring_fsr_ghz(60, 1550) - 1 < 0.025
    assert 0 < fsr_ghz(100, 1550) / ring_fsr_ghz(200, 1550) - 1 < 0.01


def test_radiation_limits_only_the_smallest_spheres():
    """R = 10, 15 and 30 um at 1550 nm (index 1.444): 5.0e6, 7.8e10, 1.1e24; at l = 20 a complex root gives 377."""
    found = [radiation_q("TE", 1, order, 1.444) for order in (51, 80, 167)]
    assert found == pytest.approx([5.0e6, 7.8e10, 1.1e24], rel=0.03)
    assert radiation_q("TE", 1, 20, 1.444) == pytest.approx(377, rel=0.0015)


def test_a_table_of_modes_names_every_line_once():
    """R = 30 um from 1540 to 1556 nm: two of each family of q = 1, none outside, by falling wavelength."""
    found = modes_between(30, 1540, 1556, most_q=1)
    assert [each.name for each in found] == ["TM1, 165", "TE1, 166", "TM1, 166", "TE1, 167"]


@pytest.mark.parametrize(("order", "q"), [(0, 1), (10, 0), (5000, 1)])
def test_a_mode_that_cannot_be_is_refused_in_words(order, q):
    """Numbers out of range raise ValueError that names the mode."""
    with pytest.raises(ValueError, match="no mode"):
        mode("TE", q, order, 30)


def test_a_q_beyond_the_glass_is_noticed_and_so_is_an_oddly_low_one():
    """An 80 um resonator at 1550 nm: 1e12 is too good, 1e5 oddly low, 1e8 neither."""
    found = limits(1550.0, 80.0)
    assert [limit.q for limit in found] == sorted(limit.q for limit in found)
    assert {limit.name for limit in found} == {"Glass", "Surface", "Water"}
    assert notice(0.9e12, 1.1e12, found) == "too_good"
    assert notice(0.9e5, 1.1e5, found) == "oddly_low"
    assert notice(0.9e8, 1.1e8, found) == ""


def test_radiation_is_named_where_the_rim_is_small():
    """A sphere of 20 um at 1550 nm radiates at about 5e6; one of 60 um has no such limit worth a line."""
    rim = [limit.q for limit in limits(1550.0, 20.0) if limit.name == "Radiation"]
    assert len(rim) == 1
    assert 1e6 < rim[0] < 1e8
    assert not [limit for limit in limits(1550.0, 60.0) if limit.name == "Radiation"]


def test_finesse_of_a_published_toroid():
    """Kippenberg et al. APL 85, 6113 (2004): Q 4e8 and a finesse above 1e6, with the 60 um diameter from memory."""
    assert finesse(4e8, 1550, 60) > 1e6
