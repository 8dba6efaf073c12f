"""Fused silica against Malitson's table and exact sphere modes."""

import numpy as np
import pytest

from app.core.silica import (
    absorption_q,
    fibre_loss_db_km,
    group_index,
    refractive_index,
    ring_diameter_um,
    ring_fsr_ghz,
    ring_fsr_nm,
    silica_limit_q,
)

# Malitson, JOSA 55, 1205 (1965), by its coefficients (refractiveindex.info, SiO2/Malitson).
MALITSON = [
    (589.3, 1.4584027, 1.4789917),
    (632.8, 1.4570179, 1.4753923),
    (780.0, 1.4536713, 1.4678142),
    (1064.0, 1.4496310, 1.4623980),
    (1310.0, 1.4468043, 1.4616400),
    (1550.0, 1.4440236, 1.4625965),
]


@pytest.mark.parametrize(("wavelength_nm", "n", "n_g"), MALITSON)
def test_malitsons_indices_are_met(wavelength_nm, n, n_g):
    """Index and group index follow Malitson (1965) to seven figures."""
    assert refractive_index(wavelength_nm) == pytest.approx(n, abs=6e-8)
    assert group_index(wavelength_nm) == pytest.approx(n_g, abs=6e-8)


def test_malitsons_printed_table_is_met():
    """The five-figure table of Malitson (1965), from memory: 1.45840, 1.45702, 1.44963, 1.44402."""
    n = refractive_index(np.array([589.3, 632.8, 1064.0, 1550.0]))
    assert np.round(n, 5).tolist() == [1.45840, 1.45702, 1.44963, 1.44402]


def test_group_index_is_the_slope_of_the_index_and_turns_at_zero_dispersion():
    """n_g agrees with a difference quotient of n, and is least at 1272.75 nm, silica's zero of dispersion."""
    h = 0.01
    slope = (refractive_index(1550 + h) - refractive_index(1550 - h)) / (2 * h)
    assert slope * 1000 == pytest.approx(-0.01198249, abs=1e-7)
    assert group_index(1550.0) == pytest.approx(refractive_index(1550.0) - 1550 * slope, abs=1e-8)
    nm = np.arange(1250, 1300, 0.05)
    assert nm[np.argmin(group_index(nm))] == pytest.approx(1272.75, abs=0.1)


@pytest.mark.parametrize(
    ("diameter_um", "ghz", "nm"),
    [(60, 1087.41, 8.7144), (120, 543.71, 4.3572), (200, 326.224, 2.61432), (269, 242.546, 1.94373)],
)
def test_ring_fsr_follows_the_group_index(diameter_um, ghz, nm):
    """c/(n_g π D) in frequency and in wavelength, and back to the diameter (computed independently)."""
    assert ring_fsr_ghz(diameter_um, 1550) == pytest.approx(ghz, rel=1e-5)
    assert ring_fsr_nm(diameter_um, 1550) == pytest.approx(nm, rel=1e-5)
    assert ring_diameter_um(ring_fsr_ghz(diameter_um, 1550), 1550) == pytest.approx(diameter_um)


@pytest.mark.parametrize(("diameter_um", "exact_ghz", "tolerance"), [(60, 1109.53, 0.021), (200, 329.149, 0.01)])
def test_ring_fsr_is_below_the_exact_sphere_by_what_is_stated(diameter_um, exact_ghz, tolerance):
    """Exact TE modes of a sphere (characteristic equation, solved independently) lie 2 % and under 1 % above."""
    simple = ring_fsr_ghz(diameter_um, 1550)
    assert simple < exact_ghz
    assert simple == pytest.approx(exact_ghz, rel=tolerance)


def test_the_glass_limits_q_as_published():
    """7 dB/km at 633 nm gives about 0.9e10 (Gorodetsky et al., Opt. Lett. 21, 453 (1996), from memory)."""
    assert absorption_q(7, 633) == pytest.approx(0.9e10, rel=0.01)
    assert absorption_q(0.2, 1550) == pytest.approx(1.2711e11, rel=1e-4)


def test_the_fibres_loss_is_least_near_1550_nm():
    """Good telecom fibre loses 0.15 to 0.2 dB/km at 1550 nm (common data sheets), more on either side."""
    assert 0.15 < fibre_loss_db_km(1550) < 0.2
    assert fibre_loss_db_km(1310) > fibre_loss_db_km(1550) < fibre_loss_db_km(1700)
    assert silica_limit_q(780) < silica_limit_q(1550)


def test_outside_its_range_the_index_is_refused():
    """No index is made up outside 210 to 3710 nm, nor for a wavelength that is no number."""
    for wavelength_nm in (100.0, 10_600.0, float("nan")):
        with pytest.raises(ValueError, match="210 to 3710"):
            refractive_index(wavelength_nm)
    with pytest.raises(ValueError, match="diameter_um"):
        ring_fsr_ghz(0, 1550)
