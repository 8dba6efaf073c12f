"""Binomial intervals against published tables, statsmodels and their own symmetries."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from app.core.intervals import clopper_pearson, jeffreys, wilson

# Newcombe, Stat. Med. 17, 857 (1998), Table I, from memory, reproduced by computation.
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("passed", "n", "score", "exact"), NEWCOMBE)
def test_newcombes_table_is_met_to_its_last_digit(passed, n, score, exact):
    """Wilson and Clopper–Pearson give the four cases that Newcombe (1998) prints."""
    for interval, printed in ((wilson(passed, n), score), (clopper_pearson(passed, n), exact)):
        assert (round(interval.low, 4), round(interval.high, 4)) == printed


def test_the_handbooks_exact_interval_for_4_of_20_is_met():
    """NIST/SEMATECH e-Handbook 7.2.4.1 (from memory): 90 % for 4 of 20 is 0.071354 to 0.401029."""
    interval = clopper_pearson(4, 20, level=0.90)
    assert interval.low == pytest.approx(0.071354, abs=1e-6)
    assert interval.high == pytest.approx(0.401029, abs=2e-6)


@pytest.mark.parametrize(("passed", "n", "low", "high"), [(81, 263, 0.25452, 0.36565), (17, 20, 0.65142, 0.95587)])
def test_jeffreys_is_the_equal_tailed_beta_interval(passed, n, low, high):
    """Jeffreys as Brown, Cai and DasGupta (2001) define it, computed independently."""
    interval = jeffreys(passed, n)
    assert (round(interval.low, 5), round(interval.high, 5)) == (low, high)


def test_intervals_agree_with_statsmodels_on_random_cases():
    """A hundred random counts and levels agree with statsmodels' own three methods."""
    rng = np.random.default_rng(7)
    for _ in range(100):
        n = int(rng.integers(2, 400))
        passed, level = int(rng.integers(1, n)), float(rng.uniform(0.5, 0.999))
        for ours, method in ((wilson, "wilson"), (clopper_pearson, "beta"), (jeffreys, "jeffreys")):
            low, high = proportion_confint(passed, n, alpha=1 - level, method=method)
            mine = ours(passed, n, level)
            assert mine.low == pytest.approx(low, abs=1e-9)
            assert mine.high == pytest.approx(high, abs=1e-9)


@given(st.integers(1, 3000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_an_interval_holds_its_share_and_mirrors(count, level):
    """Each interval lies in 0 to 1, holds the observed share, and mirrors when passes and failures swap."""
    passed, n = count
    for method in (wilson, clopper_pearson, jeffreys):
        interval, other = method(passed, n, level), method(n - passed, n, level)
        assert 0 <= interval.low <= passed / n <= interval.high <= 1
        assert interval.low == pytest.approx(1 - other.high, abs=1e-9)


def test_nothing_seen_is_no_knowledge_and_nonsense_is_refused():
    """Of no devices anything is possible; more passed than seen is refused in words."""
    assert (wilson(0, 0).low, wilson(0, 0).high) == (0, 1)
    assert (clopper_pearson(0, 0).low, jeffreys(0, 0).high) == (0, 1)
    with pytest.raises(ValueError, match="3 of 2"):
        wilson(3, 2)
    with pytest.raises(ValueError, match="level"):
        wilson(1, 2, level=1.0)
