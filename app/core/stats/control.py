"""Control charts: is a step moving? Individuals, mean and range, EWMA, CUSUM, with the Western Electric rules.

Methods and worked examples: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from scipy.integrate import quad
from scipy.special import gammaln
from scipy.stats import linregress, norm, t

FEWEST = 8
"""Points below which no chart is drawn."""
_TAIL = 0.99865
_DF_SHARE = 0.62
"""Degrees of freedom a mean moving range carries, per baseline difference."""
RULES = {
    "beyond": "beyond the limits",
    "two_of_three": "2 of 3 beyond 2 sigma",
    "four_of_five": "4 of 5 beyond 1 sigma",
    "eight": "8 in a row on one side",
}


@dataclass(frozen=True)
class ChartConstants:
    """Mean and standard deviation of the range of n unit normals, and factors made from them."""

    d2: float
    d3: float
    a2: float
    lower: float
    """D3: the lower limit of the range over its mean."""
    upper: float
    """D4: the upper limit of the range over its mean."""
    c4: float


@dataclass(frozen=True)
class Track:
    """What one chart draws: a value a point, its centre and its limits, and which rules each point breaks."""

    values: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    broken: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Pair:
    """A chart of the level and the chart of the spread under it."""

    level: Track
    spread: Track
    sigma: float


@dataclass(frozen=True)
class Cusum:
    """Sums of what lies beyond `slack` above and below the target; a sum over `decision` signals."""

    high: tuple[float, ...]
    low: tuple[float, ...]
    decision: float

    def signals(self) -> tuple[bool, ...]:
        """Whether either sum is over the decision value, point by point."""
        return tuple(max(high, low) > self.decision for high, low in zip(self.high, self.low, strict=True))


@cache
def constants(n: int) -> ChartConstants:
    """Chart constants of subgroups of n, by quadrature of the range's distribution. ValueError under 2.

    E[R] = ∫ (1 − Φ^n − (1−Φ)^n) dx; E[R²] = ∫ 2r P(R > r) dr.
    """
    if n < 2:
        raise ValueError("a subgroup has two or more values")
    mean = quad(lambda x: 1 - norm.cdf(x) ** n - norm.sf(x) ** n, -9, 9, limit=200)[0]
    x, weight = np.polynomial.legendre.leggauss(200)
    r, x = 6 * (x + 1), 9 * x
    within = norm.cdf(x[:, None] + r) - norm.cdf(x)[:, None]
    below = n * np.sum(9 * weight[:, None] * norm.pdf(x)[:, None] * within ** (n - 1), axis=0)
    square = float(np.sum(6 * weight * 2 * r * (1 - below)))
    sd = math.sqrt(square - mean**2)
    spread = 3 * sd / mean
    c4 = math.sqrt(2 / (n - 1)) * math.exp(float(gammaln(n / 2) - gammaln((n - 1) / 2)))
    return ChartConstants(mean, sd, 3 / (mean * math.sqrt(n)), max(0.0, 1 - spread), 1 + spread, c4)


def western_electric(z: Sequence[float]) -> tuple[tuple[str, ...], ...]:
    """Rules broken at each point by values in standard deviations from the centre.

    Beyond 3; 2 of the last 3 beyond 2; 4 of the last 5 beyond 1; 8 in a row: each on one side. A point that is
    itself inside a zone does not break the zone's rule. e-Handbook 6.3.2.
    """
    found: list[tuple[str, ...]] = []
    for i, now in enumerate(z):
        side = math.copysign(1.0, now)
        past = [side * value for value in z[: i + 1]]
        names = ["beyond"] if past[-1] > 3 else []
        if past[-1] > 2 and sum(value > 2 for value in past[-3:]) >= 2:
            names.append("two_of_three")
        if past[-1] > 1 and sum(value > 1 for value in past[-5:]) >= 4:
            names.append("four_of_five")
        if len(past) >= 8 and all(value > 0 for value in past[-8:]):
            names.append("eight")
        found.append(tuple(names))
    return tuple(found)


def prediction_reach(baseline: int) -> float:
    """Limits for a new point, in standard deviations estimated from `baseline` points' moving ranges.

    t(.99865, .62 (m−1)) √(1+1/m): keeps the false alarms of few baseline points near .0027; handbook: 3.
    Cf. Quesenberry, J. Qual. Technol. 25, 237 (1993).
    """
    return float(t.ppf(_TAIL, _DF_SHARE * (baseline - 1))) * math.sqrt(1 + 1 / baseline)


def individuals(x: Sequence[float], baseline: int, *, handbook: bool = False) -> Pair:
    """Individuals and moving range; centre and spread from the first `baseline` points (two or more).

    x̄ ± c MR̄/d2 with c = 3 (handbook, 6.3.2.2) or `prediction_reach`. The moving range starts at the second point.
    The zones of the rules are thirds of the way to the limits.
    """
    base = _baseline(x, baseline)
    ranges = [abs(b - a) for a, b in pairwise(x)]
    mean_range = math.fsum(ranges[: len(base) - 1]) / (len(base) - 1)
    two = constants(2)
    sigma = mean_range / two.d2
    reach = 3.0 if handbook else prediction_reach(len(base))
    level = _level(x, math.fsum(base) / len(base), [reach * sigma / 3] * len(x))
    top = two.upper * mean_range
    over = tuple(("beyond",) if value > top else () for value in ranges)
    spread = Track(tuple(ranges), mean_range, (0.0,) * len(ranges), (top,) * len(ranges), over)
    return Pair(level, spread, sigma)


def mean_and_range(groups: Sequence[Sequence[float]], baseline: int) -> Pair:
    """X-bar and R of subgroups of two or more, alike in size or not; centre and σ = mean of R/d2 from the baseline.

    Limits x̄ ± 3 σ/√n and D3, D4 of each subgroup's size. e-Handbook 6.3.2.1.
    """
    sizes = [constants(len(group)) for group in groups]
    ranges = [max(group) - min(group) for group in groups]
    means = [math.fsum(group) / len(group) for group in groups]
    base = _baseline(means, baseline)
    sigma = math.fsum(r / c.d2 for r, c in zip(ranges[: len(base)], sizes, strict=False)) / len(base)
    level = _level(means, math.fsum(base) / len(base), [sigma / math.sqrt(len(group)) for group in groups])
    low = tuple(c.lower * c.d2 * sigma for c in sizes)
    top = tuple(c.upper * c.d2 * sigma for c in sizes)
    broken = tuple(("beyond",) if not a <= r <= b else () for r, a, b in zip(ranges, low, top, strict=True))
    spread = Track(tuple(ranges), sigma * math.fsum(c.d2 for c in sizes) / len(sizes), low, top, broken)
    return Pair(level, spread, sigma)


def ewma(
    x: Sequence[float], target: float, sigma: float, *, weight: float = 0.3, reach: float = 3.0, settled: bool = False
) -> Track:
    """Exponentially weighted mean z = λ x + (1−λ) z from the target on, with target ± reach σ √(λ/(2−λ)).

    The limits widen from the first point, by √(1 − (1−λ)^2i), unless `settled`. e-Handbook 6.3.2.4.
    """
    if not 0 < weight <= 1:
        raise ValueError("a weight lies above 0 and at most at 1")
    values, now = [], target
    for each in x:
        now = weight * each + (1 - weight) * now
        values.append(now)
    start = [1.0 if settled else math.sqrt(1 - (1 - weight) ** (2 * i)) for i in range(1, len(values) + 1)]
    half = [reach * sigma * math.sqrt(weight / (2 - weight)) * share for share in start]
    broken = tuple(("beyond",) if abs(v - target) > h else () for v, h in zip(values, half, strict=True))
    return Track(tuple(values), target, tuple(target - h for h in half), tuple(target + h for h in half), broken)


def cusum(x: Sequence[float], target: float, *, slack: float, decision: float) -> Cusum:
    """S = max(0, S + (x − target) − slack) upward, and the same downward. e-Handbook 6.3.2.3."""
    high, low = [0.0], [0.0]
    for each in x:
        high.append(max(0.0, high[-1] + each - target - slack))
        low.append(max(0.0, low[-1] + target - each - slack))
    return Cusum(tuple(high[1:]), tuple(low[1:]), decision)


def residuals(at: Sequence[float], x: Sequence[float], baseline: int) -> tuple[float, ...]:
    """What is left of x after the straight line over `at` through the first `baseline` points (three or more).

    For an ageing bath: a rate that falls as it always does breaks no rule, one that leaves its trend does.
    """
    base = _baseline(x, max(3, baseline))
    if len(base) < 3 or len(set(at[: len(base)])) < 2:
        raise ValueError("a trend wants three points at two times or more")
    days = np.asarray(at, float)
    slope, start = np.polyfit(days[: len(base)], np.asarray(base), 1)
    return tuple(float(each) for each in np.asarray(x, float) - (start + slope * days))


def _baseline(x: Sequence[float], baseline: int) -> list[float]:
    base = list(x[: max(2, baseline)])
    if len(base) < 2:
        raise ValueError("a chart wants two baseline points or more")
    return base


def _level(x: Sequence[float], centre: float, third: Sequence[float]) -> Track:
    z = [
        (value - centre) / one if one > 0 else 4 * float(np.sign(value - centre))
        for value, one in zip(x, third, strict=True)
    ]
    low, high = tuple(centre - 3 * one for one in third), tuple(centre + 3 * one for one in third)
    return Track(tuple(x), centre, low, high, western_electric(z))


@dataclass(frozen=True)
class Trend:
    """Slope of a straight line over time with its 95 % interval, and what it comes to from first to last point."""

    slope: float
    low: float
    high: float
    change: float


def trend(at: Sequence[float], x: Sequence[float]) -> Trend | None:
    """The straight line through all points, t interval on n−2 degrees of freedom; None under four or two times."""
    if len(x) < 4 or len(set(at)) < 3:
        return None
    line = linregress(at, x)
    half = float(t.ppf(0.975, len(x) - 2)) * float(line.stderr)
    slope = float(line.slope)
    return Trend(slope, slope - half, slope + half, slope * (max(at) - min(at)))
