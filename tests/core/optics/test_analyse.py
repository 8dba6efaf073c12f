"""What an analysis says of simulated scans with known truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.core.optics.analyse import analyse
from app.core.optics.lineshapes import baseline, curve, transmission
from app.core.optics.results import Analysis, FitOptions, Measured, NoFit, Scan
from tests.core.optics.scans import NU_MHZ, coupled_modes, scan


def analysed(a_scan: Scan, **options: object) -> Analysis:
    result = analyse(a_scan, FitOptions(**options))
    assert isinstance(result, Analysis), result
    return result


def refused(z: np.ndarray, signal: np.ndarray, dark: float = 0.0) -> NoFit:
    axis = scan(np.random.default_rng(0)).axis
    result = analyse(Scan(z, signal, axis), FitOptions(dark=dark))
    assert isinstance(result, NoFit)
    return result


def holds(measured: Measured, truth: float) -> bool:
    return (measured.low is None or measured.low <= truth) and (measured.high is None or truth <= measured.high)


def check(analysis: Analysis, code: str) -> str:
    return next(c.state for c in analysis.checks if c.code == code)


def test_a_single_dip_gives_its_width_q_and_lifetime():
    """Width, loaded and intrinsic Q, coupling and lifetime of one dip lie within half a per cent at little noise."""
    a = analysed(scan(np.random.default_rng(1), noise=0.002))
    mode = a.modes[0]
    assert (a.model, len(a.modes), a.splitting_mhz) == ("single", 1, None)
    assert mode.linewidth_mhz.value == pytest.approx(5.0, rel=0.005)
    assert mode.q_loaded.value == pytest.approx(NU_MHZ / 5.0, rel=0.005)
    assert mode.q_intrinsic.value == pytest.approx(NU_MHZ / 4.0, rel=0.005)
    assert mode.lifetime_ns.value == pytest.approx(1e3 / (2 * np.pi * 5.0), rel=0.005)
    assert a.coupling_mhz.value == pytest.approx(1.0, rel=0.005)
    assert a.contrast.value == pytest.approx(0.64, rel=0.005)
    assert a.quality.noise == pytest.approx(0.002, rel=0.1)
    assert a.quality.reduced_chi2 == pytest.approx(1.0, abs=0.15)
    assert a.quality.points_per_linewidth == pytest.approx(1000 / 12, rel=0.02)
    assert a.regime.reading == "under"
    assert a.regime.basis == "assumed"
    assert mode.q_intrinsic_other == pytest.approx(NU_MHZ / 1.0, rel=0.02)


def test_the_over_coupled_reading_exchanges_the_two_rates():
    """Asked for over-coupling, coupling and intrinsic width change places."""
    a = analysed(scan(np.random.default_rng(1), noise=0.002), regime="over")
    assert (a.regime.reading, a.regime.basis) == ("over", "option")
    assert a.modes[0].q_intrinsic.value == pytest.approx(NU_MHZ / 1.0, rel=0.02)
    assert a.modes[0].q_intrinsic_other == pytest.approx(NU_MHZ / 4.0, rel=0.005)


def test_a_split_pair_of_unequal_modes():
    """Each mode its own width, one coupling, the device's Q from the mean intrinsic width."""
    a = analysed(scan(np.random.default_rng(2), g=7.5 - 0.75j, noise=0.003, widths=16))
    assert a.model == "split"
    assert [m.linewidth_mhz.value for m in a.modes] == pytest.approx([6.5, 3.5], rel=0.01)
    assert [m.q_intrinsic.value for m in a.modes] == pytest.approx([NU_MHZ / 5.5, NU_MHZ / 2.5], rel=0.01)
    assert [m.detuning_mhz.value for m in a.modes] == pytest.approx([-7.5, 7.5], rel=0.005)
    assert a.splitting_mhz is not None
    assert a.splitting_mhz.value == pytest.approx(15.0, rel=0.005)
    assert a.coupling_mhz.value == pytest.approx(1.0, rel=0.01)
    assert a.device.q_intrinsic.value == pytest.approx(NU_MHZ / 4.0, rel=0.01)
    assert a.device.grade == "B"
    assert a.regime.basis == "line-shape"
    assert a.modes[0].q_intrinsic_other is None


def test_a_closely_split_pair_has_common_widths():
    """Below one linewidth of splitting both modes share a width, and both Q are the same."""
    a = analysed(scan(np.random.default_rng(3), g=2.0, noise=0.005))
    assert a.model == "split"
    assert a.modes[0].linewidth_mhz == a.modes[1].linewidth_mhz
    assert holds(a.modes[0].linewidth_mhz, 5.0)


def test_a_split_dip_can_tell_over_coupling():
    """Above 0.6 linewidth of splitting the line shape decides, also against the regime asked for."""
    over = scan(np.random.default_rng(4), k0=1.0, kex=4.0, g=2.5, noise=0.01)
    a = analysed(over, regime="under")
    assert (a.regime.reading, a.regime.basis) == ("over", "line-shape")
    assert check(a, "regime_contradicted") == "found"
    assert a.device.q_intrinsic.value == pytest.approx(NU_MHZ / 1.0, rel=0.1)
    assert check(analysed(over), "regime_contradicted") == "clear"


def test_near_critical_coupling_the_interval_has_one_side():
    """At critical coupling intrinsic Q ends at twice the loaded Q, and the check says so; grade C is a bound."""
    a = analysed(scan(np.random.default_rng(5), k0=2.5, kex=2.5))
    mode = a.modes[0]
    assert check(a, "near_critical") == "found"
    assert mode.q_intrinsic.high == pytest.approx(2 * mode.q_loaded.value, rel=0.02)
    assert mode.q_intrinsic.low < 0.97 * mode.q_intrinsic.high
    assert a.device.grade == "C"
    assert check(analysed(scan(np.random.default_rng(5))), "near_critical") == "clear"


def test_an_axis_without_uncertainty_is_never_grade_a():
    """A shallow dip is A on an axis known to 3 %, B on one of unknown scale, which draws a check."""
    shallow = {"k0": 4.8, "kex": 0.2, "noise": 0.002}
    known = analysed(scan(np.random.default_rng(6), rel_sigma=0.03, **shallow))
    unknown = analysed(scan(np.random.default_rng(6), rel_sigma=None, **shallow))
    assert (known.device.grade, check(known, "axis_unverified")) == ("A", "clear")
    assert (unknown.device.grade, check(unknown, "axis_unverified")) == ("B", "found")


def test_the_axis_uncertainty_is_part_of_q():
    """Three per cent of axis scale make at least three per cent of sigma in linewidth, Q and lifetime."""
    a = analysed(scan(np.random.default_rng(6), rel_sigma=0.03, noise=0.002))
    for m in (a.modes[0].linewidth_mhz, a.modes[0].q_loaded, a.modes[0].lifetime_ns, a.device.q_intrinsic):
        assert m.sigma == pytest.approx(0.03 * m.value, rel=0.03)
        assert m.high - m.low == pytest.approx(2 * 1.96 * 0.03 * m.value, rel=0.03)
    assert a.contrast.sigma < 0.01


def test_the_dark_level_is_taken_off():
    """A detector offset of a fifth of the signal, given as dark level, leaves intrinsic Q as it was."""
    clean = scan(np.random.default_rng(7), noise=0.002)
    lifted = Scan(clean.detuning_mhz, clean.signal + 0.5, clean.axis)
    assert analysed(lifted, dark=0.5).device.q_intrinsic.value == pytest.approx(
        analysed(clean).device.q_intrinsic.value
    )
    assert analysed(lifted).device.q_intrinsic.value < 0.97 * analysed(clean).device.q_intrinsic.value


def test_every_check_has_a_state_and_a_sentence():
    """The list of checks is complete: what cannot be checked says so in words."""
    for c in analysed(scan(np.random.default_rng(8))).checks:
        assert c.state in {"found", "clear", "not_checkable"}
        assert c.text.endswith(".")


def test_the_stored_numbers_draw_the_curve_again():
    """Shape, parameters and constants alone give back the fitted curve, to within the noise, in volts."""
    for g in (0.0, 7.5 - 0.75j):
        a_scan = scan(np.random.default_rng(9), g=g, noise=0.004, points=4000)
        a = analysed(Scan(a_scan.detuning_mhz, a_scan.signal + 0.2, a_scan.axis), dark=0.2)
        residual = a_scan.signal + 0.2 - curve(a.stored, a_scan.detuning_mhz)
        assert np.std(residual) == pytest.approx(0.01, rel=0.06)
        assert np.min(transmission(a.stored, a_scan.detuning_mhz)) == pytest.approx(1 - a.contrast.value, abs=1e-3)
        assert baseline(a.stored, a_scan.detuning_mhz).mean() == pytest.approx(2.5, rel=0.03)
        assert len(a.stored.parameters) == len(a.stored.names) == len(a.stored.covariance)


@pytest.mark.parametrize("factor", [1e-9, 1e9])
def test_the_unit_of_the_signal_does_not_matter(factor):
    """Nanovolts or gigacounts: the same Q."""
    a_scan = scan(np.random.default_rng(10))
    scaled = Scan(a_scan.detuning_mhz, a_scan.signal * factor, a_scan.axis)
    assert analysed(scaled).device.q_intrinsic.value == pytest.approx(
        analysed(a_scan).device.q_intrinsic.value, rel=1e-6
    )


def test_a_narrow_dip_in_a_long_scan_is_found_and_windowed():
    """Ten samples of dip among a hundred thousand; the window is cut around it."""
    rng = np.random.default_rng(11)
    z = np.linspace(0, 1e6, 100_001)
    signal = coupled_modes(z - 345_678, 80.0, 20.0, 0) + 0.01 * rng.normal(size=len(z))
    a = analysed(Scan(z, signal, scan(rng).axis))
    assert holds(a.modes[0].linewidth_mhz, 100.0)
    assert holds(a.modes[0].detuning_mhz, 345_678.0)
    assert a.points < 1000


def test_other_modes_in_the_scan_are_left_out():
    """Five unrelated dips: the deepest is fitted alone, not paired with a neighbour."""
    rng = np.random.default_rng(12)
    z = np.linspace(-50, 50, 2001)
    signal = np.ones_like(z)
    for centre, width, depth in [(-40, 2, 0.6), (-20, 1, 0.3), (0, 1.5, 0.7), (22, 3, 0.4), (40, 2, 0.5)]:
        signal *= 1 - depth / (1 + (2 * (z - centre) / width) ** 2)
    a = analysed(Scan(z, signal + 0.005 * rng.normal(size=len(z)), scan(rng).axis))
    assert a.model == "single"
    assert a.modes[0].linewidth_mhz.value == pytest.approx(1.5, rel=0.03)
    assert a.modes[0].detuning_mhz.value == pytest.approx(0.0, abs=0.02)


def test_a_widely_split_pair_is_still_one_pair():
    """Two like dips 25 linewidths apart are a split resonance (as in Kippenberg et al., Opt. Lett. 27, 1669 (2002))."""
    a = analysed(scan(np.random.default_rng(13), k0=2.75, kex=2.25, g=62.5, widths=60, points=6000))
    assert a.model == "split"
    assert a.splitting_mhz is not None
    assert a.splitting_mhz.value == pytest.approx(125.0, rel=1e-3)


def test_noise_alone_is_no_resonance():
    """White and wandering noise are told from a dip."""
    rng = np.random.default_rng(14)
    z = np.linspace(-50, 50, 2001)
    for _ in range(10):
        assert refused(z, 1 + 0.01 * rng.normal(size=2001)).code == "no_resonance"
    assert refused(z, 1 + 0.01 * z + 1e-3 * rng.normal(size=2001)).code == "no_resonance"


def test_what_cannot_be_fitted_says_why():
    """A dip at the edge, one of one sample, one below the dark level, and a peak each have their sentence."""
    rng = np.random.default_rng(15)
    z = np.linspace(-50, 50, 2001)
    e = 0.01 * rng.normal(size=2001)
    dip = coupled_modes(z - 3, 3.2, 0.8, 0)
    assert refused(z, coupled_modes(z - 50, 3.2, 0.8, 0) + e).code == "dip_at_edge"
    assert refused(z, np.where(np.arange(2001) == 900, 0.2, 1.0) + e).code == "too_narrow"
    assert refused(z, dip + e, dark=0.6).code == "below_dark"
    peak = refused(z, 2 - dip + e)
    assert peak.code == "no_resonance"
    assert "peak" in peak.text


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(16, 600),
    st.sampled_from(["white", "walk", "steps", "spikes"]),
    st.floats(-9, 9),
    st.floats(-3, 6),
)
def test_any_finite_scan_gets_an_answer(seed, n, kind, decades, span):
    """Whatever the numbers, there is an analysis or a reason; ends surround values and nothing is NaN."""
    rng = np.random.default_rng(seed)
    z = np.sort(rng.normal(size=n)) * 10**span
    y = {
        "white": rng.normal(size=n),
        "walk": np.cumsum(rng.normal(size=n)),
        "steps": rng.integers(0, 3, n).astype(float),
        "spikes": np.abs(rng.standard_cauchy(n)),
    }[kind]
    result = analyse(Scan(z, y * 10.0**decades, scan(rng).axis))
    if isinstance(result, Analysis):
        for m in (result.contrast, result.coupling_mhz, *(mode.linewidth_mhz for mode in result.modes)):
            assert np.isfinite(m.value)
