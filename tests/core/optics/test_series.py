"""Series over one mode: what is extrapolated, with what interval, and what is not claimed."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.optics.series import (
    CouplingPoint,
    Point,
    TooLittleError,
    ageing,
    coupling_series,
    line,
    power_series,
    repeats,
)

DRAWS = 800


def covered(intervals, truth):
    """Share of intervals that hold the truth."""
    return np.mean([low <= truth <= high for low, high in intervals])


def widths_at(powers, rng, *, scatter=0.0, cold=2.0, slope=0.01, sigma=0.02):
    """A mode that is broadened linearly, measured once a power."""
    doubt = math.hypot(sigma, scatter)
    return [Point(p, cold + slope * p + doubt * rng.standard_normal(), sigma) for p in powers]


@pytest.mark.parametrize("count", [3, 6, 12])
def test_the_cold_width_lies_in_its_interval_as_often_as_stated(count):
    """Without scatter between scans, 95 % intervals of the width at no power hold 93 to 99 % of truths."""
    rng = np.random.default_rng(1)
    powers = np.linspace(5, 100, count)
    lines = [power_series(widths_at(powers, rng)) for _ in range(DRAWS)]
    assert 0.93 <= covered([(x.at_zero.low, x.at_zero.high) for x in lines], 2.0) <= 0.99


@pytest.mark.parametrize("scatter", [0.03, 0.1])
def test_scatter_between_scans_widens_the_interval_enough(scatter):
    """Where scans differ by more than their own doubt, intervals still hold 93 to 97 % of truths."""
    rng = np.random.default_rng(2)
    powers = np.linspace(5, 100, 8)
    lines = [power_series(widths_at(powers, rng, scatter=scatter)) for _ in range(DRAWS)]
    assert 0.93 <= covered([(x.at_zero.low, x.at_zero.high) for x in lines], 2.0) <= 0.97
    assert np.median([x.scatter for x in lines]) == pytest.approx(scatter, rel=0.4)


def test_a_dragged_mode_is_extrapolated_to_its_cold_width():
    """Least-squares Lorentz widths of a heated dip, 1.0003, 1.0084, 1.081 at B = .1, .5, 1.5 half widths.

    (Quasi-static heating, y + B/(1 + y^2), integrated independently.) The hottest scan reads 8 % too wide; the
    series gives the cold width to 1 %.
    """
    read = {0.1: 1.0003, 0.2: 1.0013, 0.5: 1.0084, 0.8: 1.0216, 1.1: 1.042, 1.5: 1.081}
    points = [Point(100 * b, 2.0 * width, 0.005) for b, width in read.items()]
    assert power_series(points).at_zero.value == pytest.approx(2.0, rel=0.015)


def test_weighted_line_agrees_with_statsmodels():
    """Without scatter beyond the points' own, value and slope are those of weighted least squares."""
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    at = np.linspace(1, 9, 9)
    sigma = rng.uniform(0.5, 2.0, 9)
    y = 3 + 0.2 * at + 0.3 * sigma * rng.standard_normal(9)
    ours = line([Point(a, b, s) for a, b, s in zip(at, y, sigma, strict=True)])
    theirs = sm.WLS(y, sm.add_constant(at), weights=1 / sigma**2).fit()
    assert [ours.at_zero.value, ours.slope.value] == pytest.approx(list(theirs.params), rel=1e-9)
    assert [ours.at_zero.low, ours.at_zero.high] == pytest.approx(list(theirs.conf_int()[0]), rel=1e-6)


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([Point(1, 2, 0.1)], "at least 3"),
        ([Point(10, 2, 0.1), Point(10.5, 2, 0.1), Point(11, 2, 0.1)], "take one at less than"),
        ([Point(0, 2, 0.1), Point(1, 2, 0.1), Point(2, 2, 0.1)], "above zero"),
        ([Point(1, 2, 0.0), Point(5, 2, 0.1), Point(9, 2, 0.1)], "uncertainty"),
    ],
)
def test_a_series_that_cannot_be_extrapolated_says_what_is_missing(points, says):
    """Too few, too alike, impossible: a sentence, and no number."""
    with pytest.raises(TooLittleError, match=says):
        power_series(points)


def coupled(intrinsic, couplings, rng=None, *, parasitic=0.0, relative=0.01):
    """Single dips of one mode at several gaps; T_min = ((k0 - kex)/(k0 + kex))^2 hides the sign."""
    out = []
    for kex in couplings:
        k0 = intrinsic + parasitic * kex
        kappa, balance = k0 + kex, abs(k0 - kex) / (k0 + kex)
        noise = (0.0, 0.0) if rng is None else relative * rng.standard_normal(2)
        out.append(CouplingPoint(kappa * (1 + noise[0]), relative * kappa, abs(balance + noise[1]), relative))
    return out


def test_a_coupling_series_settles_what_one_dip_cannot_tell():
    """k0 = 1; kex .25 and 4 have the same floor, .36: the series reads the first under-, the last over-coupled."""
    points = coupled(1.0, [4.0, 0.25, 0.5, 2.0])
    assert points[0].balance == pytest.approx(points[1].balance)
    found = coupling_series(points)
    assert found.settled
    assert found.readings == ("over", "under", "under", "over")
    assert found.intrinsic_mhz.value == pytest.approx(1.0, rel=1e-6)


def test_weakly_coupled_scans_of_one_gap_settle_nothing():
    """Three scans at the same coupling read as well one way as the other."""
    assert not coupling_series(coupled(1.0, [0.3, 0.3, 0.3])).settled


def test_scans_that_differ_in_more_than_coupling_settle_nothing():
    """Widths and floors drawn at random fit no common intrinsic width well enough to settle anything."""
    rng = np.random.default_rng(8)
    points = [CouplingPoint(rng.uniform(1, 3), 0.01, rng.uniform(0.1, 0.9), 0.01) for _ in range(8)]
    assert not coupling_series(points).settled


def test_the_intrinsic_width_lies_in_its_interval_as_often_as_stated():
    """Six gaps, 1 % on width and on balance: 93 to 98 % of intervals hold the truth, and the regime is right."""
    rng = np.random.default_rng(3)
    series = [coupling_series(coupled(1.5, [0.1, 0.3, 0.6, 1.2, 2.5, 4.5], rng)) for _ in range(400)]
    assert 0.93 <= covered([(x.intrinsic_mhz.low, x.intrinsic_mhz.high) for x in series], 1.5) <= 0.985
    assert np.mean([x.readings[0] == "under" and x.readings[-1] == "over" for x in series]) > 0.99


def test_a_lossy_taper_is_seen_and_taken_out():
    """A taper that adds 0.3 of its coupling as loss: the width at zero coupling is still the intrinsic one."""
    found = coupling_series(coupled(1.0, [0.05, 0.1, 0.2, 0.3, 0.4, 0.5], parasitic=0.3, relative=0.003))
    assert found.intrinsic_mhz.low <= 1.0 <= found.intrinsic_mhz.high
    assert found.parasitic is not None
    assert found.parasitic.value == pytest.approx(0.3, abs=0.05)


def test_repeats_keep_their_scatter_between_scans():
    """Log-normal repeats of 1e8, apart by 5 % with 2 % of their own: intervals of the mean hold 93 to 97 %."""
    rng = np.random.default_rng(4)
    found = [repeats(1e8 * np.exp(math.hypot(0.05, 0.02) * rng.standard_normal(7)), [0.02] * 7) for _ in range(DRAWS)]
    assert 0.93 <= covered([(x.q.low, x.q.high) for x in found], 1e8) <= 0.97
    assert np.median([x.scatter for x in found]) == pytest.approx(0.05, rel=0.3)


@given(st.lists(st.floats(1e5, 1e10), min_size=2, max_size=12), st.floats(1e-3, 0.5))
def test_a_mean_of_repeats_lies_among_them(q, sigma):
    """Whatever the repeats, their mean is between least and greatest, within its own interval."""
    found = repeats(q, [sigma] * len(q))
    assert min(q) * (1 - 1e-9) <= found.q.value <= max(q) * (1 + 1e-9)
    assert found.q.low <= found.q.value <= found.q.high


def test_ageing_is_a_relative_change_a_month():
    """A Q that falls by 10 % in 30 days is read so, and one that stays is not said to change."""
    rng = np.random.default_rng(6)
    days = np.array([0, 3, 9, 20, 33, 50.0])
    draws = [1e8 * np.exp(0.01 * rng.standard_normal(6)) for _ in range(200)]
    falling = [ageing(days, q * 0.9 ** (days / 30), [0.01] * 6) for q in draws]
    steady = [ageing(days, q, [0.01] * 6) for q in draws]
    assert np.mean([x.change_30_days.value for x in falling]) == pytest.approx(-0.1, abs=0.005)
    assert np.mean([x.changes for x in falling]) > 0.99
    assert np.mean([x.changes for x in steady]) <= 0.09
