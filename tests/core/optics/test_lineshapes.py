"""Line shapes against the equations of motion and published relations."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.core.optics.lineshapes import pair, single, split
from tests.core.optics.scans import amplitudes, transmission_by_matrix, transmission_in_time

rates = st.floats(0.05, 5.0)


def _split(k0: float, kex: float, g: complex, detuning: float | np.ndarray) -> np.ndarray:
    k = k0 + kex
    p = np.array([0.0, k, kex / k, (g * g).real, (g * g).imag])
    return split(p, np.atleast_1d(np.asarray(detuning, dtype=float)))[0]


@given(k0=rates, kex=rates, g_r=st.floats(0.0, 10.0), share=st.floats(-0.9, 0.9), detuning=st.floats(-15, 15))
def test_split_is_the_steady_state_of_the_coupled_modes(k0, kex, g_r, share, detuning):
    """The split line shape equals a linear solve of a_cw and a_ccw, equal and unequal widths alike."""
    g = complex(g_r, -0.5 * share * k0)
    assert _split(k0, kex, g, detuning)[0] == pytest.approx(transmission_by_matrix(k0, kex, g, detuning), abs=1e-9)


@pytest.mark.parametrize(
    ("k0", "kex", "g", "detuning"),
    [(1, 0.25, 0.0, 0.3), (1, 1, 1.0, 0.0), (1, 1, 1.0, 1.0), (1, 4, 2.0, -1.5), (2, 0.5, 1.5 - 0.4j, -1.4)],
)
def test_split_is_where_the_equations_of_motion_come_to_rest(k0, kex, g, detuning):
    """The split line shape equals the time-domain integration (scipy DOP853) left to run until it is still."""
    assert _split(k0, kex, complex(g), detuning)[0] == pytest.approx(
        transmission_in_time(k0, kex, g, detuning), abs=1e-7
    )


@given(k0=rates, kex=rates, detuning=st.floats(-15, 15))
def test_without_backscatter_the_split_form_is_an_exact_lorentz_dip(k0, kex, detuning):
    """g = 0: T = 1 - (4 k0 kex/k^2)/(1 + (2D/k)^2) (Gorodetsky & Ilchenko, JOSA B 16, 147 (1999))."""
    k = k0 + kex
    dip = single(np.array([0.0, k, 4 * k0 * kex / k**2]), np.array([detuning]))[0]
    assert _split(k0, kex, 0j, detuning)[0] == pytest.approx(dip[0], abs=1e-12)


@given(k0=rates, kex=rates, g=st.floats(0.0, 10.0), detuning=st.floats(-15, 15))
def test_light_is_transmitted_reflected_or_absorbed(k0, kex, g, detuning):
    """T + R + k0 (|a_cw|^2 + |a_ccw|^2) = 1 (energy conservation of the coupled modes)."""
    a_cw, a_ccw = amplitudes(k0, kex, g, detuning)
    rest = kex * abs(a_ccw) ** 2 + k0 * (abs(a_cw) ** 2 + abs(a_ccw) ** 2)
    assert _split(k0, kex, complex(g), detuning)[0] + rest == pytest.approx(1.0, abs=1e-9)


@given(k0=rates, kex=rates, g_r=st.floats(0.1, 10.0), share=st.floats(-0.9, 0.9), detuning=st.floats(-15, 15))
def test_split_is_two_standing_waves_of_unequal_width(k0, kex, g_r, share, detuning):
    """t = 1 - (kex/2)[1/(w1/2 + i(D + g_r)) + 1/(w2/2 + i(D - g_r))], w = k +- 2 g_i: the lower mode comes first."""
    g_i = 0.5 * share * k0
    low, high = k0 + kex + 2 * g_i, k0 + kex - 2 * g_i
    t = 1 - (kex / 2) * (1 / (low / 2 + 1j * (detuning + g_r)) + 1 / (high / 2 + 1j * (detuning - g_r)))
    assert _split(k0, kex, complex(g_r, -g_i), detuning)[0] == pytest.approx(abs(t) ** 2, abs=1e-9)


@pytest.mark.parametrize(
    ("k0", "kex", "g", "detuning", "expected", "tolerance"),
    [
        (1, 1, 1, 0, 0.25, 1e-12),
        (1, 1, 1, 1, 0.20, 1e-12),
        (1, 0.25, 5, 0, 0.98773, 5e-6),
        (1, 0.25, 5, 5, 0.63891, 5e-6),
    ],
)
def test_split_values(k0, kex, g, detuning, expected, tolerance):
    """Values of the coupled-mode form (Weiss et al., Opt. Lett. 20, 1835 (1995), derived twice)."""
    assert _split(k0, kex, complex(g), detuning)[0] == pytest.approx(expected, abs=tolerance)


@given(k0=rates, kex=rates, g=st.floats(0.05, 10.0), detuning=st.floats(-15, 15))
def test_difference_from_the_sum_of_two_dips_is_exact(k0, kex, g, detuning):
    """T - S = (kex^2/2)[(k/2)^2 + D^2 - g^2]/{[(k/2)^2+(D-g)^2][(k/2)^2+(D+g)^2]} with S the sum of two dips."""
    k, d = k0 + kex, detuning
    a = kex * k / 2 - kex**2 / 4
    low, high = (k / 2) ** 2 + (d - g) ** 2, (k / 2) ** 2 + (d + g) ** 2
    difference = (kex**2 / 2) * ((k / 2) ** 2 + d**2 - g**2) / (low * high)
    assert _split(k0, kex, complex(g), d)[0] - (1 - a / low - a / high) == pytest.approx(difference, abs=1e-9)


@pytest.mark.parametrize(
    ("share", "row"),
    [
        (0.05, (0.0019, 0.00057, 0.00019, 0.000057)),
        (0.25, (0.0333, 0.0100, 0.0033, 0.0010)),
        (1.0, (0.2083, 0.0625, 0.0208, 0.00625)),
    ],
)
def test_how_far_the_sum_of_two_dips_is_off(share, row):
    """Largest |T - S| for kex/k0 and g/k = 0.3, 1, 3, 10 (derived)."""
    k0, kex = 1.0, share
    k = k0 + kex
    a = kex * k / 2 - kex**2 / 4
    for ratio, expected in zip((0.3, 1, 3, 10), row, strict=True):
        g = ratio * k
        d = np.linspace(-3 * g - 5 * k, 3 * g + 5 * k, 20001)
        s = 1 - a / ((k / 2) ** 2 + (d - g) ** 2) - a / ((k / 2) ** 2 + (d + g) ** 2)
        assert np.abs(_split(k0, kex, complex(g), d) - s).max() == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("gamma", [1.0, 3.0, 30.0])
def test_critical_coupling_with_backscatter(gamma):
    """T(0) vanishes at K = sqrt(1 + Gamma^2); R there is (Gamma/(1+sqrt(1+Gamma^2)))^2.

    Kippenberg, Spillane, Vahala, Opt. Lett. 27, 1669 (2002): Gamma = 30 gives R = 0.9355 (published: over 94 %).
    """
    k0, kex = 1.0, float(np.sqrt(1 + gamma**2))
    g = gamma / 2
    assert _split(k0, kex, complex(g), 0.0)[0] == pytest.approx(0.0, abs=1e-12)
    reflected = kex * abs(amplitudes(k0, kex, g, 0.0)[1]) ** 2
    assert reflected == pytest.approx({1.0: 0.171573, 3.0: 0.519494, 30.0: 0.935519}[gamma], abs=1e-6)


@pytest.mark.parametrize(("share", "threshold"), [(0.001, 0.57735), (0.25, 0.6013), (1.0, 0.6687), (3.0, 0.7892)])
def test_two_minima_show_above_a_known_splitting(share, threshold):
    """Two minima are visible when 2g/k > 1/sqrt(3) for weak coupling, later for stronger (derived)."""
    k0, kex = 1.0, share
    k = k0 + kex
    d = np.array([0.0, 1e-3 * k])
    below, above = (_split(k0, kex, complex(f * threshold * k / 2), d) for f in (0.985, 1.015))
    assert below[1] > below[0]
    assert above[1] < above[0]


@settings(max_examples=40)
@given(st.lists(st.floats(0.05, 0.95), min_size=5, max_size=5))
def test_derivatives_are_those_of_the_curves(u):
    """The analytical Jacobian equals central differences for each shape."""
    z = np.linspace(-4, 4, 31)
    g = (1.5 * u[3] - 0.3j * u[4] * (1 - u[2])) ** 2
    cases = (
        (single, np.array([u[0], 0.5 + u[1], u[2]])),
        (split, np.array([u[0], 0.5 + u[1], u[2], g.real, g.imag])),
        (pair, np.array([u[0], 0.5 + u[1], u[2], -u[3], 0.5 + u[4], u[0]])),
    )
    for shape, p in cases:
        for i, derivative in enumerate(shape(p, z)[1]):
            step = np.zeros(len(p))
            step[i] = 1e-6
            numeric = (shape(p + step, z)[0] - shape(p - step, z)[0]) / 2e-6
            np.testing.assert_allclose(derivative, numeric, atol=2e-7)
