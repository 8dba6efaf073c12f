"""One group against another: what the ratio of Q and the difference of a share may claim."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.core.stats.two_groups import q_ratio, share_difference
from app.core.stats.yields import Act, step_yield

SESSIONS = tuple(f"S{i}" for i in range(8))


def test_ratio_of_two_constant_groups_is_exact() -> None:
    """Each device of one has three times the Q of the other, session by session."""
    base = np.geomspace(5e7, 2e8, 8)
    found = q_ratio(3 * base, base, (SESSIONS, SESSIONS), (SESSIONS, SESSIONS))
    assert found.ratio == pytest.approx(3, rel=1e-9)
    assert found.interval is not None
    assert found.interval.low == pytest.approx(3, rel=1e-6)
    assert [each.ratio for each in found.by_session] == pytest.approx([3.0] * 8)
    assert found.settled


def test_what_a_session_does_to_both_cancels() -> None:
    """The same devices, shared sessions or not: sharing them makes the interval narrower."""
    rng = np.random.default_rng(4)
    days = rng.normal(0, 0.5, 8)
    first, second = (np.exp(days + rng.normal(0, 0.05, 8)) * 1e8 for _ in range(2))
    together = q_ratio(first, second, (SESSIONS, SESSIONS), (SESSIONS, SESSIONS))
    others = tuple(f"T{i}" for i in range(8))
    apart = q_ratio(first, second, (SESSIONS, others), (SESSIONS, others))
    assert together.ratio == pytest.approx(apart.ratio)
    assert together.shared_sessions == 8
    assert apart.shared_sessions == 0
    assert width(together) < width(apart) / 3


def width(found: object) -> float:
    """Of the interval, in logs."""
    interval = found.interval  # type: ignore[attr-defined]
    return math.log(interval.high / interval.low)


def test_no_interval_under_five_sessions_or_wafers() -> None:
    """Four wafers are too few, however many sessions."""
    q = np.full(8, 1e8) * np.linspace(1, 2, 8)
    wafers = tuple(f"W{i % 4}" for i in range(8))
    found = q_ratio(q, q, (SESSIONS, SESSIONS), (wafers, SESSIONS))
    assert found.interval is None
    assert (found.least_sessions, found.least_wafers) == (8, 4)
    assert not found.settled


def test_a_lucky_device_does_not_move_the_ratio() -> None:
    """One device at a hundred times the Q shifts the ratio by little."""
    base = np.geomspace(9e7, 1.1e8, 20)
    names = tuple(f"S{i % 8}" for i in range(20))
    lucky = base.copy()
    lucky[-1] *= 100
    assert q_ratio(lucky, base, (names, names), (names, names)).ratio < 1.05


@given(st.lists(st.floats(1e6, 1e10), min_size=5, max_size=30), st.lists(st.floats(1e6, 1e10), min_size=5, max_size=30))
@settings(max_examples=60)
def test_turning_the_groups_round_turns_the_ratio_over(first: list[float], second: list[float]) -> None:
    """The second against the first is one over the first against the second, interval and all."""
    names = ([f"a{i % 7}" for i in range(len(first))], [f"a{i % 9}" for i in range(len(second))])
    one = q_ratio(first, second, (names[0], names[1]), (names[0], names[1]))
    other = q_ratio(second, first, (names[1], names[0]), (names[1], names[0]))
    assert one.ratio == pytest.approx(1 / other.ratio)
    assert one.interval is not None
    assert other.interval is not None
    assert one.interval.low == pytest.approx(1 / (other.interval.high or 1))


@pytest.mark.parametrize("q", [[], [0.0], [float("nan")]])
def test_a_group_without_q_is_refused(q: list[float]) -> None:
    """There is no ratio to nothing."""
    names = ["S"] * len(q)
    with pytest.raises(ValueError, match="above zero"):
        q_ratio(q, [1e8], (names, ["S"]), (names, ["S"]))


def test_interval_holds_its_word_with_sessions_apart() -> None:
    """In 400 labs without a difference 'the same' is left out about one time in twenty."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        days = rng.normal(0, 0.3, 8)
        code = [np.repeat(np.arange(8), rng.integers(1, 8, 8)) for _ in range(2)]
        logs = [days[each] + rng.normal(0, 0.3, len(each)) for each in code]
        names = tuple([str(i) for i in each] for each in code)
        found = q_ratio(np.exp(logs[0]), np.exp(logs[1]), (names[0], names[1]), (names[0], names[1]))
        held += not found.settled
    assert held / 400 == pytest.approx(0.95, abs=0.03)


def acts(*passed: int, of: int = 10, prefix: str = "W") -> list[Act]:
    """Acts by name with so many of ten passed."""
    return [Act(f"{prefix}{i}", n, of) for i, n in enumerate(passed)]


def test_shares_on_five_shared_wafers_are_compared_within_them() -> None:
    """Wafers differ far more than the two sides on them; the difference is told all the same."""
    first, second = acts(10, 8, 6, 4, 3), acts(8, 6, 4, 2, 2)
    found = share_difference(step_yield(first), step_yield(second), first, second)
    assert found.within_wafers == 5
    assert found.change is not None
    assert found.change.value == pytest.approx(0.18)
    assert found.change.leaves_out_zero


def test_shares_apart_are_compared_by_their_own_intervals() -> None:
    """No wafer in common: square-and-add; under five acts on one side nothing is claimed."""
    first, second = acts(9, 9, 8, 9, 10), acts(5, 6, 4, 5, 5, prefix="V")
    found = share_difference(step_yield(first), step_yield(second), first, second)
    assert found.within_wafers == 0
    assert found.change is not None
    assert found.change.low < 0.4 < found.change.high
    few = share_difference(step_yield(first[:4]), step_yield(second), first[:4], second)
    assert few.change is None
