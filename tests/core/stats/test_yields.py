"""Yields whose intervals respect that devices decided by one act are alike."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep

from app.core.intervals import wilson
from app.core.stats.yields import (
    Act,
    difference,
    intraclass,
    lab_likeness,
    rolled_yield,
    shared_wafer_difference,
    step_yield,
    unmeasured_bounds,
)


def acts_of(passed, decided):
    """Acts named by number."""
    return [Act(str(i), int(x), int(m)) for i, (x, m) in enumerate(zip(passed, decided, strict=True))]


def drawn(rng, k, p, likeness, devices=20):
    """Beta-binomial acts: each act has its own chance, so its devices are alike."""
    decided = rng.integers(devices // 2, devices * 3 // 2 + 1, k)
    a = (1 - likeness) / likeness
    return acts_of(rng.binomial(decided, rng.beta(p * a, (1 - p) * a, k)), decided)


@pytest.mark.parametrize(("k", "p"), [(5, 0.9), (8, 0.6), (15, 0.9)])
def test_stated_intervals_hold_the_truth_where_plain_wilson_does_not(k, p):
    """Over 400 drawn labs the interval holds the true yield in 92 % or more; Wilson on all devices in under 80 %."""
    rng = np.random.default_rng(11)
    held = plain = 0
    for _ in range(400):
        acts = drawn(rng, k, p, likeness=0.15)
        shown = step_yield(acts, likeness_history=0.15)
        naive = wilson(shown.passed, shown.decided)
        held += shown.interval.low <= p <= shown.interval.high
        plain += naive.low <= p <= naive.high
    assert 0.92 <= held / 400 <= 0.995
    assert plain / 400 < 0.80


def test_under_five_acts_each_is_shown_and_nothing_is_pooled():
    """Four baths are four figures, each with its own interval, and no claim about the next."""
    shown = step_yield(acts_of([18, 19, 20, 12], [20, 20, 20, 20]))
    assert shown.interval is None
    assert not shown.pooled
    assert [a.share for a in shown.acts] == [0.9, 0.95, 1.0, 0.6]
    assert shown.share == pytest.approx(69 / 80)
    assert shown.acts[0].interval == wilson(18, 20)


def test_the_worked_formula_is_met_by_hand():
    """n* = N/[1 + (Σm²/N − 1)ρ]·(1.96/t)², worked by hand for five baths of ten; t₁₀ = 2.228 from tables."""
    shown = step_yield(acts_of([10, 9, 8, 9, 4], [10] * 5), likeness_history=0.1)
    between = 10 * ((1 - 0.8) ** 2 + (0.9 - 0.8) ** 2 * 2 + 0 + (0.4 - 0.8) ** 2) / 4
    within = (0 + 0.9 + 1.6 + 0.9 + 2.4) / 45
    r = (between - within) / (between + 9 * within)
    assert intraclass(acts_of([10, 9, 8, 9, 4], [10] * 5)) == pytest.approx(r)
    rho = (4 * r + 6 * 0.1) / 10
    assert shown.likeness == pytest.approx(rho)
    assert shown.design_effect == pytest.approx(1 + 9 * rho)
    n = 50 / (1 + 9 * rho) * (1.959964 / 2.228139) ** 2
    assert shown.n_effective == pytest.approx(n, rel=1e-5)
    assert shown.interval == wilson(0.8 * shown.n_effective, shown.n_effective)


def test_share_decided_stands_beside_the_yield_and_greys_it():
    """Of 100 attempted, 79 decided greys the yield; 80 does not; nothing decided is no yield at all."""
    acts = acts_of([15] * 5, [16] * 5)
    assert not step_yield(acts, attempted=100).grey
    assert step_yield(acts, attempted=101).grey
    nothing = step_yield([], attempted=4)
    assert (nothing.share, nothing.interval, nothing.share_decided, nothing.grey) == (None, None, 0, True)
    assert step_yield([]).share_decided is None
    with pytest.raises(ValueError, match="80 decided of 79"):
        step_yield(acts, attempted=79)


def test_without_any_failure_the_lower_bound_respects_likeness():
    """Ten baths without a loss do not make a hundred independent passes: the bound lies below plain Wilson's."""
    shown = step_yield(acts_of([10] * 10, [10] * 10), likeness_history=0.2)
    assert shown.likeness == 0.2
    assert shown.interval.high == 1
    assert shown.interval.low < wilson(100, 100).low


def test_the_labs_likeness_needs_twenty_acts_and_finds_the_truth():
    """History of 19 acts says nothing; of 400 it finds the likeness they were drawn with; never under 0.005."""
    rng = np.random.default_rng(3)
    past = drawn(rng, 400, 0.8, likeness=0.2)
    assert lab_likeness(past[:19]) is None
    assert lab_likeness(past) == pytest.approx(0.2, abs=0.04)
    assert lab_likeness(acts_of([8] * 30, [10] * 30)) == 0.005


@given(st.lists(st.integers(0, 40).flatmap(lambda m: st.tuples(st.integers(0, m), st.just(m))), max_size=12))
def test_any_lab_gets_a_sound_answer(counts):
    """Whatever was counted, the interval holds the share and is never narrower than plain Wilson on p and N."""
    shown = step_yield(acts_of([x for x, _ in counts], [m for _, m in counts]))
    assert shown.passed == sum(x for x, _ in counts)
    if shown.interval is not None:
        assert 0 <= shown.interval.low <= shown.share <= shown.interval.high <= 1
        assert shown.n_effective <= shown.decided
        naive = wilson(shown.passed, shown.decided)
        assert shown.interval.high - shown.interval.low >= naive.high - naive.low - 1e-12


def test_rolled_yield_is_the_product_of_the_steps():
    """Five steps of .98, .95, .90, .97, .93 roll to .75586959 (worked by hand)."""
    passed = np.array([[98, 95, 90, 97, 93]] * 6)
    rolled = rolled_yield(passed, np.full((6, 5), 100))
    assert rolled.share == pytest.approx(0.75586959, abs=1e-8)
    # Wafers exactly alike show no scatter, and every step had losses.
    assert rolled.interval.low == pytest.approx(rolled.share)


def test_rolled_interval_widens_when_bad_wafers_are_bad_throughout():
    """The same counts, with the losses of both steps on the same wafers, give the wider interval."""
    decided = np.full((6, 2), 20)
    first = np.array([20, 20, 20, 12, 12, 12])
    together = rolled_yield(np.stack([first, first], axis=1), decided)
    apart = rolled_yield(np.stack([first, first[::-1]], axis=1), decided)
    assert together.share == pytest.approx(apart.share)
    assert apart.interval.low > together.interval.low
    assert apart.interval.high < together.interval.high


def test_rolled_interval_without_losses_is_the_product_of_the_bounds():
    """Nothing lost anywhere: the steps' own lower bounds multiply; a step that claims none leaves none."""
    counts = np.full((6, 2), 20)
    bound = wilson(60, 60)
    rolled = rolled_yield(counts, counts, [bound, bound])
    assert (rolled.share, rolled.interval.high) == (1, 1)
    assert rolled.interval.low == pytest.approx(bound.low**2)
    assert rolled_yield(counts, counts, [bound, None]).interval is None
    assert rolled_yield(counts, counts).interval.low < 1


def test_rolled_interval_holds_the_truth_with_steps_almost_without_losses():
    """300 drawn labs of eight wafers and four steps, most yields near one: held in 92 % or more."""
    rng = np.random.default_rng(5)
    steps, held = (0.99, 0.97, 0.95, 0.9), 0
    for _ in range(300):
        n, passed, decided = rng.integers(10, 31, 8), [], []
        for p in steps:
            decided.append(n)
            n = rng.binomial(n, rng.beta(p * 12, (1 - p) * 12, 8))
            passed.append(n)
        interval = rolled_yield(np.array(passed).T, np.array(decided).T).interval
        held += interval.low <= math.prod(steps) <= interval.high
    assert held / 300 >= 0.92


def test_rolled_yield_of_little_or_nothing():
    """Few wafers give a figure without interval, an undecided step no figure, a step that lost all a zero."""
    assert rolled_yield([[9, 8]], [[10, 9]]).interval is None
    assert rolled_yield([[9, 0]], [[10, 0]]).share is None
    nothing = rolled_yield([[9, 0]] * 6, [[10, 9]] * 6)
    assert (nothing.share, nothing.interval.low) == (0, 0)
    assert 0 < nothing.interval.high < 0.5


def test_difference_of_yields_meets_newcombe():
    """56 of 70 less 48 of 80: 0.2000 (0.0524 to 0.3339), Newcombe, Stat. Med. 17, 873 (1998), from memory."""
    d = difference(56 / 70, wilson(56, 70), 48 / 80, wilson(48, 80))
    assert (round(d.value, 4), round(d.low, 4), round(d.high, 4)) == (0.2, 0.0524, 0.3339)
    assert d.leaves_out_zero


def test_difference_agrees_with_statsmodels_on_random_cases():
    """Thirty random pairs of counts agree with statsmodels' Newcombe interval."""
    rng = np.random.default_rng(9)
    for _ in range(30):
        n1, n2 = (int(v) for v in rng.integers(5, 200, 2))
        x1, x2 = int(rng.integers(1, n1)), int(rng.integers(1, n2))
        low, high = confint_proportions_2indep(x1, n1, x2, n2, compare="diff", method="newcomb")
        d = difference(x1 / n1, wilson(x1, n1), x2 / n2, wilson(x2, n2))
        assert (d.low, d.high) == pytest.approx((low, high), abs=1e-9)


def test_difference_on_shared_wafers_takes_the_wafer_out():
    """Wafers of very unlike yield, each ten points better after: the change shows, told wafer by wafer."""
    before = acts_of([18, 12, 6, 14, 4, 16], [20] * 6)
    after = acts_of([20, 14, 8, 16, 6, 18], [20] * 6)
    d = shared_wafer_difference(after, before)
    assert d.value == pytest.approx(0.1)
    assert d.leaves_out_zero
    assert shared_wafer_difference(after[:4], before) is None


def test_unmeasured_devices_bound_the_share():
    """50 hits of 60 measured, of 200: from 25 % (the rest all miss) to 95 % (the rest all hit)."""
    bounds = unmeasured_bounds(50, 60, 200)
    assert (bounds.low, bounds.high) == (0.25, 0.95)
    assert unmeasured_bounds(0, 0, 0) is None
    with pytest.raises(ValueError, match="not a count"):
        unmeasured_bounds(5, 4, 10)
    with pytest.raises(ValueError, match="bath 3"):
        Act("bath 3", 5, 4)
