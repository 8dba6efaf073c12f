"""The reflow beam's intensity, and what could limit a Q."""

import math

import pytest
from scipy.integrate import quad

from app.core.process import beam
from app.core.process.limits import lifetime_ns, scatter_q_gorodetsky, scatter_q_vernooy, water_layer_q


def test_ten_watts_in_a_200_um_spot():
    """10 W at w = 100 µm: 63 662 W/cm² at the centre; 86.4665 % of the power inside w (Gaussian optics)."""
    assert beam.peak_intensity_w_cm2(10, 200) == pytest.approx(63_662, abs=0.5)
    assert beam.power_inside_w(10, 200, 100) == pytest.approx(8.64665, abs=5e-6)
    assert beam.half_maximum_um(200) == pytest.approx(117.741, abs=1e-3)
    assert beam.spot_from_knife_edge_um(128.155) == pytest.approx(200, rel=1e-5)


def test_intensity_integrates_to_the_power():
    """Summed over the plane, the intensity is the power; one spot radius off it is 1/e² of the peak."""
    total = quad(lambda r: beam.intensity_w_cm2(10, 200, r * 1e4) * 2 * math.pi * r, 0, 0.1)[0]
    assert total == pytest.approx(10, rel=1e-8)
    edge = beam.intensity_w_cm2(10, 200, 100)
    assert edge == pytest.approx(beam.peak_intensity_w_cm2(10, 200) * math.exp(-2))


def test_energy_and_fluence_grow_with_time():
    """Half a second of 10 W is 5 J, and 31 831 J/cm² at the centre of the 200 µm spot."""
    assert beam.energy_j(10, 0.5) == 5
    assert beam.fluence_j_cm2(10, 200, 0.5) == pytest.approx(31_831, abs=0.5)
    with pytest.raises(ValueError, match="wider than zero"):
        beam.peak_intensity_w_cm2(10, 0)


def test_lifetime_of_a_published_q():
    """Q = 8.75e8 is 720 ns at 1550 nm (Lee et al., Nature Photon. 6, 369 (2012)); 1e8 is 82.287 ns."""
    assert lifetime_ns(8.75e8, 1550) == pytest.approx(720, abs=0.5)
    assert lifetime_ns(1e8, 1550) == pytest.approx(82.2870, abs=5e-5)


def test_the_two_models_of_a_rough_surface_differ_fourfold():
    """D = 250 µm, σ = 2 nm, B = 5 nm at 1550 nm: 3.14e10 after Vernooy (1998), 1.22e11 after Gorodetsky (2000)."""
    assert scatter_q_vernooy(250, 2, 5, 1550) == pytest.approx(3.14e10, rel=2e-3)
    assert scatter_q_gorodetsky(250, 2, 5, 1550) == pytest.approx(1.22e11, rel=5e-3)
    with pytest.raises(ValueError, match="roughness"):
        scatter_q_vernooy(250, 0, 5, 1550)


def test_a_thin_layer_of_water_limits_q_in_proportion():
    """0.2 nm of water on a 250 µm sphere at 1550 nm allow 9.5e8 (perturbation; mode integral agrees)."""
    thin = water_layer_q(250, 0.2, 1550, 1100, 1.318)
    assert thin == pytest.approx(9.5e8, rel=5e-3)
    assert water_layer_q(250, 0.4, 1550, 1100, 1.318) == pytest.approx(thin / 2)
    with pytest.raises(ValueError, match="above zero"):
        water_layer_q(250, 0, 1550, 1100, 1.318)
