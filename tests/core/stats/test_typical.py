"""Typical Q of a recipe and its share on specification."""

import numpy as np
import pytest

from app.core.stats.typical import on_specification, typical_q
from app.core.stats.yields import Act


def drawn_q(rng, sessions, devices, between, within=0.2):
    """Q about 1e8 of devices in sessions (one wafer each) that differ by `between` decades."""
    session = np.repeat(np.arange(sessions), devices)
    log_q = 8 + rng.normal(size=sessions)[session] * between + rng.normal(size=len(session)) * within
    return 10**log_q, [f"s{s}" for s in session]


@pytest.mark.parametrize("between", [0.05, 0.2])
def test_the_medians_interval_holds_the_truth_over_sessions(between):
    """Over 200 drawn labs of eight sessions the interval holds the true median in 90 % or more."""
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(200):
        q, names = drawn_q(rng, 8, 8, between)
        interval = typical_q(q, names, names).interval
        held += interval.low <= 1e8 <= interval.high
    assert held / 200 >= 0.90


def test_sessions_that_differ_widen_the_interval():
    """The same Qs dealt evenly over sessions are known better than sorted into good and bad days."""
    q = 10 ** np.linspace(7.5, 8.5, 48)
    days = [f"d{i // 6}" for i in range(48)]
    evenly = [f"d{i % 8}" for i in range(48)]
    sorted_in = typical_q(q, days, days).interval
    spread_out = typical_q(q, evenly, evenly).interval
    assert sorted_in.low < spread_out.low < 1e8 < spread_out.high < sorted_in.high


def test_wafers_count_as_well_as_sessions():
    """Two wafers seen in eight sessions are still two wafers: no interval, sessions one by one."""
    q, sessions = drawn_q(np.random.default_rng(1), 8, 4, 0.1)
    typical = typical_q(q, sessions, ["W1", "W2"] * 16)
    assert (typical.interval, typical.sessions, typical.wafers) == (None, 8, 2)
    assert typical.q == pytest.approx(np.median(q))
    assert typical.q_best == q.max()
    assert [(name, n) for name, _, n in typical.by_session] == [(f"s{i}", 4) for i in range(8)]


def test_no_devices_no_typical_q_and_a_q_of_zero_is_refused():
    """Nothing measured is None; a Q that is not above zero is refused in words."""
    assert typical_q([], [], []) is None
    with pytest.raises(ValueError, match="above zero"):
        typical_q([0.0], ["s"], ["w"])


def test_a_specifications_share_comes_with_bounds_over_all_good_rims():
    """30 of 40 measured meet it; 100 rims are good: between 30 % and 90 %, and it rolls only if picked fairly."""
    acts = [Act(f"session {i}", 6, 8) for i in range(5)]
    looked_best = on_specification(acts, good=100, picked="best-looking")
    assert looked_best.measured.share == 0.75
    assert (looked_best.bounds.low, looked_best.bounds.high) == (0.3, 0.9)
    assert not looked_best.enters_rolled
    assert on_specification(acts, good=40, picked="all").enters_rolled
    assert on_specification(acts[:2], good=40).measured.interval is None
