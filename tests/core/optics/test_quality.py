"""Conversions between Q, linewidth and lifetime, the rules from loaded to intrinsic Q, and the grades."""

import numpy as np
import pytest

from app.core.optics import quality


@pytest.mark.parametrize(
    ("q", "width_mhz", "lifetime_ns"),
    [(1e6, 193.4145, 0.822870), (1e7, 19.34145, 8.22870), (1e8, 1.934145, 82.2870), (1e9, 0.1934145, 822.870)],
)
def test_width_and_lifetime_at_1550_nm(q, width_mhz, lifetime_ns):
    """dnu = nu/Q and tau = 1/(2 pi dnu) at 1550 nm (definitions, c exact)."""
    width = quality.linewidth_mhz(q, 1550.0)
    assert width == pytest.approx(width_mhz, rel=3e-7)
    assert quality.lifetime_ns(width) == pytest.approx(lifetime_ns, rel=1e-6)


@pytest.mark.parametrize(
    ("nm", "width_mhz", "lifetime_ns"),
    [
        (633, 4.73606, 33.6049),
        (780, 3.84349, 41.4089),
        (852, 3.51869, 45.2313),
        (1064, 2.81760, 56.4860),
        (1310, 2.28849, 69.5458),
        (1550, 1.93414, 82.2870),
    ],
)
def test_width_and_lifetime_of_q_1e8(nm, width_mhz, lifetime_ns):
    """Q = 1e8 at the lines of silica work (definitions, c exact)."""
    width = quality.linewidth_mhz(1e8, nm)
    assert width == pytest.approx(width_mhz, abs=6e-6)
    assert quality.lifetime_ns(width) == pytest.approx(lifetime_ns, abs=6e-5)


@pytest.mark.parametrize(("reading", "expected"), [("under", 1.33333e7), ("over", 4.0e7)])
def test_contrast_to_intrinsic_q_of_a_single_dip(reading, expected):
    """Q_L = 1e7, T_min = 0.25 (Gorodetsky & Ilchenko, JOSA B 16, 147 (1999))."""
    assert quality.intrinsic_of_single(1e7, 0.25, reading) == pytest.approx(expected, rel=1e-5)


def test_contrast_to_intrinsic_q_of_a_resolved_pair():
    """T_min = 0.25 gives 2 Q_L; the rule of the single dip would say 1.333 Q_L (derived)."""
    assert quality.intrinsic_of_resolved_split(1e7, 0.25) == pytest.approx(2e7)


@pytest.mark.parametrize(
    ("paper", "nm", "q", "width_khz", "tau_ns"),
    [
        ("Kippenberg et al., APL 85, 6113 (2004)", 1550, 4e8, 483.5, 329.1),
        ("Gorodetsky et al., Opt. Lett. 21, 453 (1996), from memory", 633, 0.8e10, 59.2, 2688),
        ("Lee et al., Nature Photon. 6, 369 (2012)", 1550, 8.75e8, 221.0, 720),
        ("Shahar Ohana et al., arXiv:2408.08257 (2024)", 780, 1.7e8, 2261, 70.4),
    ],
)
def test_published_q(paper, nm, q, width_khz, tau_ns):
    """Published Q give the linewidths and lifetimes that follow, to the digits printed."""
    width = quality.linewidth_mhz(q, nm)
    assert width * 1e3 == pytest.approx(width_khz, rel=1e-3), paper
    assert quality.lifetime_ns(width) == pytest.approx(tau_ns, rel=1.5e-3), paper
    assert q < quality.silica_limit(nm), paper


def test_critically_coupled_toroid_of_2003():
    """43 ns at critical coupling, intrinsic 1.25e8: Armani et al., Nature 421, 925 (2003), from memory, within 20 %."""
    q_loaded = 2 * np.pi * quality.frequency_mhz(1550.0) * 1e-3 * 43
    assert quality.intrinsic_of_single(q_loaded, 0.0, "under") == pytest.approx(1.25e8, rel=0.2)


def test_silica_ceiling_is_that_of_good_fibre():
    """0.2 dB/km is Q = 1.27e11 at 1550 nm (Righini et al., Riv. Nuovo Cimento 34, 435 (2011)); the limit is above."""
    assert 1.27e11 < quality.silica_limit(1550.0) < 2.5e11
    assert 0.9e10 < quality.silica_limit(633.0) < 2e10


@pytest.mark.parametrize(
    ("contrast", "reading", "resolved", "rel_sigma", "expected"),
    [
        (0.15, "under", False, 0.03, "A"),
        (0.15, "under", False, 0.06, "B"),
        (0.15, "under", False, None, "B"),
        (0.15, "over", False, 0.03, "C"),
        (0.50, "under", False, 0.03, "B"),
        (0.50, "over", False, 0.03, "B"),
        (0.95, "under", False, 0.03, "C"),
        (0.95, "under", True, 0.03, "B"),
    ],
)
def test_grades(contrast, reading, resolved, rel_sigma, expected):
    """A needs a shallow under-coupled dip and a known axis; B a stated reading or a resolved pair; C is a bound."""
    assert quality.grade(contrast=contrast, reading=reading, resolved_split=resolved, rel_sigma=rel_sigma) == expected
