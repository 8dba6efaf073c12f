"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.core.stats import control

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_individuals_of_the_handbook() -> None:
    """e-Handbook 6.3.2.2: flow rates, centre 50.81, limits 45.8159 and 55.8041, moving range to 6.1349."""
    pair = control.individuals(FLOW, 10, handbook=True)
    assert pair.level.centre == pytest.approx(50.81)
    assert pair.level.upper[0] == pytest.approx(55.8041, abs=2e-3)
    assert pair.level.lower[0] == pytest.approx(45.8159, abs=2e-3)
    assert pair.spread.centre == pytest.approx(1.8778, abs=5e-5)
    assert pair.spread.upper[0] == pytest.approx(6.1349, abs=2e-3)
    assert not any("beyond" in rules for rules in pair.level.broken)


def test_ewma_of_the_handbook() -> None:
    """e-Handbook 6.3.2.4: weight .3 from 50, all twenty values and both limits, in control."""
    x = [52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, *FLOW]
    track = control.ewma(x, 50, 2.0539, settled=True)
    said = "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23"
    assert track.values == pytest.approx([float(each) for each in (said + " 51.94 51.99").split()], abs=0.0051)
    assert (track.lower[0], track.upper[0]) == pytest.approx((47.4115, 52.5884), abs=1.5e-4)
    assert not any(track.broken)


def test_cusum_of_the_handbook() -> None:
    """e-Handbook 6.3.2.3: target 325, k .3175, h 4.1959; signals from point 14 to 20."""
    said = """324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 328.325
    327.250 327.825 328.500 326.675 327.775 326.875 328.350"""
    found = control.cusum([float(each) for each in said.split()], 325, slack=0.3175, decision=4.1959)
    assert [i for i, signal in enumerate(found.signals(), 1) if signal] == list(range(14, 21))
    assert found.high[12:] == pytest.approx([3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035])
    assert found.low[1] == pytest.approx(0.0075)


@pytest.mark.parametrize(
    ("n", "d2", "d3", "a2", "lower", "upper", "c4"),
    [
        (2, 1.12838, 0.85250, 1.87997, 0, 3.26653, 0.79788),
        (5, 2.32593, 0.86408, 0.57682, 0, 2.11450, 0.93999),
        (7, 2.70436, 0.83321, 0.41928, 0.07571, 1.92429, None),
        (10, 3.07751, 0.79705, 0.30826, 0.22302, 1.77698, None),
    ],
)
def test_chart_constants(n: int, d2: float, d3: float, a2: float, lower: float, upper: float, c4: float | None) -> None:
    """The standard table of d2, d3, A2, D3, D4 and c4 (e.g. ASTM Manual 7A, values from memory)."""
    found = control.constants(n)
    assert (found.d2, found.d3, found.a2, found.lower, found.upper) == pytest.approx(
        (d2, d3, a2, lower, upper), abs=1e-5
    )
    assert c4 is None or found.c4 == pytest.approx(c4, abs=1e-5)


def _run_length(shift: float) -> float:
    """Mean points to the first rule broken, over every history of seven points the rules can tell apart."""
    from scipy.stats import norm

    edges = [-np.inf, -3, -2, -1, 0, 1, 2, 3, np.inf]
    mids = [-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5]
    chance = np.diff(norm.cdf(np.asarray(edges) - shift))
    known: dict[tuple[float, ...], int] = {(): 0}
    queue: list[tuple[float, ...]] = [()]
    moves: list[tuple[int, int, float]] = []
    for past in queue:
        for mid, p in zip(mids, chance, strict=True):
            if control.western_electric([*past, mid])[-1]:
                continue
            after = _needed((*past, mid))
            if after not in known:
                known[after] = len(known)
                queue.append(after)
            moves.append((known[past], known[after], float(p)))
    size = len(known)
    step = np.zeros((size, size))
    for a, b, p in moves:
        step[a, b] += p
    return float(np.linalg.solve(np.eye(size) - step, np.ones(size))[0])


def _needed(past: tuple[float, ...]) -> tuple[float, ...]:
    """The history with what no later rule can see made alike: zones older than four points, sides after a change."""
    side, run = past[-1] > 0, 0
    for value in reversed(past):
        if (value > 0) != side:
            break
        run += 1
    keep = max(min(run, 7), min(len(past), 4))
    half = 0.5 if side else -0.5
    recent = [v if abs(v) < 2 or i >= len(past) - 2 else (1.5 if v > 0 else -1.5) for i, v in enumerate(past)]
    recent = [v if i >= len(past) - 4 else half for i, v in enumerate(recent)]
    recent = [v if abs(v) > 1 or i >= len(past) - run else 0.5 * (-1 if side else 1) for i, v in enumerate(recent)]
    return tuple(recent[-keep:])


def test_run_length_of_the_rules() -> None:
    """In control 91.75 points to an alarm, 9.22 at one sigma off: Champ & Woodall, Technometrics 29 (1987)."""
    assert _run_length(0.0) == pytest.approx(91.75, abs=0.01)
    assert _run_length(1.0) == pytest.approx(9.22, abs=0.01)


def test_prediction_limits_keep_their_false_alarms() -> None:
    """Of ten-point baselines, new points fall outside the handbook's limits in 2.3 %, outside these in under .3 %."""
    drawn = np.random.default_rng(5).standard_normal((4000, 12))
    outside = {False: 0, True: 0}
    for row in drawn:
        for handbook in outside:
            outside[handbook] += (
                "beyond" in control.individuals(list(row[[*range(10), 11]]), 10, handbook=handbook).level.broken[-1]
            )
    assert 0.015 < outside[True] / 4000 < 0.032
    assert outside[False] / 4000 < 0.0035


def test_residuals_of_an_ageing_bath() -> None:
    """A rate that falls by its trend leaves nothing; one that leaves the trend stands out."""
    days = list(range(12))
    rates = [100 - 2.0 * day for day in days]
    assert control.residuals(days, rates, 8) == pytest.approx([0.0] * 12, abs=1e-9)
    rates[11] -= 9
    assert control.residuals(days, rates, 8)[11] == pytest.approx(-9)


def test_mean_and_range_allows_for_unlike_sizes() -> None:
    """A subgroup of two has wider limits than one of five; one far mean is beyond them."""
    groups = [[1.0, 1.2, 0.9, 1.1, 1.05]] * 8 + [[1.0, 1.1], [3.0, 3.1, 2.9, 3.0, 3.1]]
    level = control.mean_and_range(groups, 8).level
    assert level.upper[8] > level.upper[0]
    assert "beyond" in level.broken[9]
    assert not level.broken[0]


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=30))
def test_rules_are_the_same_upside_down(z: list[float]) -> None:
    """Turning the chart over turns no rule off."""
    up = control.western_electric([each or 0.1 for each in z])
    assert up == control.western_electric([-(each or 0.1) for each in z])


def test_a_trend_is_told_from_scatter() -> None:
    """A steady fall has an interval below zero; three points give no trend."""
    found = control.trend([0, 1, 2, 3, 4], [10.0, 9.1, 7.9, 7.1, 5.9])
    assert found is not None
    assert found.low < found.slope < found.high < 0
    assert found.change == pytest.approx(-4.08)
    assert control.trend([0, 1, 2], [1.0, 2.0, 3.0]) is None
