"""Intervals for a share of yes and no: Wilson, Clopper–Pearson, Jeffreys.

All take real (not only whole) counts, because devices decided by one act count as fewer than they are.
"""

import math
from dataclasses import dataclass

from scipy.special import betaincinv, ndtri


@dataclass(frozen=True)
class Interval:
    """A two-sided interval with its level; an end may be unbounded (None)."""

    low: float | None
    high: float | None
    level: float = 0.95


@dataclass(frozen=True)
class ShareInterval(Interval):
    """A two-sided interval of a share, both ends within 0 to 1."""

    low: float
    high: float


def normal_quantile(level: float) -> float:
    """z with P(|Z| < z) = level, for a standard normal Z."""
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, not at {level}")
    return float(ndtri(0.5 + level / 2))


def _check_counts(passed: float, n: float) -> None:
    if not (math.isfinite(n) and n >= 0 and 0 <= passed <= n):
        raise ValueError(f"{passed} of {n} is not a count")


def wilson(passed: float, n: float, level: float = 0.95) -> ShareInterval:
    """Score interval of a share, (p + z²/2n ± z √(p(1−p)/n + z²/4n²)) / (1 + z²/n).

    Source: Wilson, J. Am. Stat. Assoc. 22, 209 (1927); method 3 of Newcombe, Stat. Med. 17, 857 (1998).
    """
    _check_counts(passed, n)
    if n == 0:
        return ShareInterval(0.0, 1.0, level)
    z2 = normal_quantile(level) ** 2
    p = passed / n
    centre = p + z2 / (2 * n)
    half = math.sqrt(z2 * (p * (1 - p) / n + z2 / (4 * n * n)))
    scale = 1 + z2 / n
    # At 0 of n and n of n the ends are exactly 0 and 1; rounding must not show there.
    low = 0.0 if passed == 0 else max(0.0, (centre - half) / scale)
    high = 1.0 if passed == n else min(1.0, (centre + half) / scale)
    return ShareInterval(low, high, level)


def clopper_pearson(passed: float, n: float, level: float = 0.95) -> ShareInterval:
    """Exact interval of a share, from quantiles of Beta(x, n−x+1) and Beta(x+1, n−x).

    Source: Clopper and Pearson, Biometrika 26, 404 (1934); method 5 of Newcombe (1998).
    """
    _check_counts(passed, n)
    tail = (1 - level) / 2
    low = 0.0 if passed == 0 else float(betaincinv(passed, n - passed + 1, tail))
    high = 1.0 if passed == n else float(betaincinv(passed + 1, n - passed, 1 - tail))
    return ShareInterval(low, high, level)


def jeffreys(passed: float, n: float, level: float = 0.95) -> ShareInterval:
    """Equal-tailed interval of Beta(x+½, n−x+½), its ends set to 0 and 1 where none or all passed.

    Source: Brown, Cai and DasGupta, Stat. Sci. 16, 101 (2001).
    """
    _check_counts(passed, n)
    tail = (1 - level) / 2
    a, b = passed + 0.5, n - passed + 0.5
    low = 0.0 if passed == 0 else float(betaincinv(a, b, tail))
    high = 1.0 if passed == n else float(betaincinv(a, b, 1 - tail))
    return ShareInterval(low, high, level)
