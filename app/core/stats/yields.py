"""Yield of a step when the devices decided by one act (a bath dip, an exposure, a session) are alike."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from app.core.intervals import ShareInterval, normal_quantile, wilson

Floats = NDArray[np.float64]

MIN_ACTS = 5  # under five acts each is shown by itself
MIN_HISTORY = 20  # past acts from which a lab's own likeness can be learnt
LIKENESS_FLOOR = 0.005
LIKENESS_WITHOUT_HISTORY = 0.10
PRIOR_ACTS = 6  # how many acts the lab's history weighs
GREY_BELOW = 0.80  # a yield of which less than this share was decided is shown grey


@dataclass(frozen=True)
class Act:
    """What one act decided: `passed` of `decided` devices."""

    name: str
    passed: int
    decided: int

    def __post_init__(self) -> None:
        if not 0 <= self.passed <= self.decided:
            raise ValueError(f"{self.name}: {self.passed} of {self.decided} passed is not a count")


@dataclass(frozen=True)
class ActShown:
    """One act by itself; its Wilson interval speaks of this act, not of the next."""

    name: str
    passed: int
    decided: int
    share: float
    interval: ShareInterval


@dataclass(frozen=True)
class StepYield:
    """Yield of one step with what may be claimed about it.

    `interval` is None where fewer than five acts decided it: then `acts` are to be read one by one.
    `share` and `share_decided` are None where there is nothing to divide by.
    """

    passed: int
    decided: int
    attempted: int
    share: float | None
    share_decided: float | None
    interval: ShareInterval | None
    acts: tuple[ActShown, ...]
    likeness: float
    likeness_from_history: bool
    design_effect: float
    n_effective: float

    @property
    def grey(self) -> bool:
        """True where too few of the attempted were decided to read the yield as the step's."""
        return self.share_decided is None or self.share_decided < GREY_BELOW

    @property
    def pooled(self) -> bool:
        """True where the acts are enough to speak for the step as a whole."""
        return self.interval is not None


def t_quantile(level: float, degrees: float) -> float:
    """t with P(|T| < t) = level, for Student's T of `degrees` of freedom."""
    return float(stdtrit(degrees, 0.5 + level / 2))


def intraclass(acts: Sequence[Act]) -> float | None:
    """Intraclass correlation of yes and no by one-way analysis of variance, or None where it cannot be told.

    r = (MSB − MSW)/(MSB + (m₀ − 1) MSW), m₀ = (N − Σm²/N)/(k − 1). It may be below zero.
    Source: Ridout, Demétrio and Firth, Biometrics 55, 137 (1999), from memory.
    """
    m = np.array([a.decided for a in acts if a.decided], dtype=float)
    x = np.array([a.passed for a in acts if a.decided], dtype=float)
    k, total = len(m), m.sum()
    if k < 2 or total == k or x.sum() in (0, total):
        return None
    p = x.sum() / total
    between = float((m * (x / m - p) ** 2).sum()) / (k - 1)
    within = float((x * (m - x) / m).sum()) / (total - k)
    m0 = (total - (m**2).sum() / total) / (k - 1)
    return float((between - within) / (between + (m0 - 1) * within))


def lab_likeness(past: Sequence[Act]) -> float | None:
    """How alike one act's devices are in this lab (ρ₀), from at least 20 past acts of the step; else None."""
    if sum(1 for a in past if a.decided) < MIN_HISTORY:
        return None
    r = intraclass(past)
    return None if r is None else min(max(r, LIKENESS_FLOOR), 0.95)


def step_yield(
    acts: Sequence[Act],
    attempted: int | None = None,
    likeness_history: float | None = None,
    level: float = 0.95,
) -> StepYield:
    """Yield of a step with a Wilson interval on the number of devices that count as independent.

    ρ = clip([(k−1) r + 6 ρ₀]/(k+5), 0, 0.95), ρ₀ where r cannot be told;
    n* = N/[1 + (Σm²/N − 1) ρ] · (z/t_{k+5})²; Wilson on (p, n*).
    `attempted` defaults to the decided; `likeness_history` is ρ₀ of `lab_likeness` (0.10 without history).
    Source: design effect after Kish (1965), degrees of freedom after Korn and Graubard (1998), from memory.
    """
    acts = [a for a in acts if a.decided]
    k = len(acts)
    decided, passed = sum(a.decided for a in acts), sum(a.passed for a in acts)
    attempted = decided if attempted is None else attempted
    if attempted < decided:
        raise ValueError(f"{decided} decided of {attempted} attempted is not a count")
    rho0 = LIKENESS_WITHOUT_HISTORY if likeness_history is None else likeness_history
    r = intraclass(acts)
    rho = rho0 if r is None else min(max(((k - 1) * r + PRIOR_ACTS * rho0) / (k + 5), 0.0), 0.95)
    effect = 1 + (sum(a.decided**2 for a in acts) / decided - 1) * rho if decided else 1.0
    shrink = (normal_quantile(level) / t_quantile(level, k + 5)) ** 2
    n_effective = decided / effect * shrink
    share = passed / decided if decided else None
    interval = None
    if share is not None and k >= MIN_ACTS:
        interval = wilson(share * n_effective if passed < decided else n_effective, n_effective, level)
    return StepYield(
        passed=passed,
        decided=decided,
        attempted=attempted,
        share=share,
        share_decided=decided / attempted if attempted else None,
        interval=interval,
        acts=tuple(_shown(a, level) for a in acts),
        likeness=rho,
        likeness_from_history=likeness_history is not None,
        design_effect=effect,
        n_effective=n_effective,
    )


def _shown(act: Act, level: float) -> ActShown:
    interval = wilson(act.passed, act.decided, level)
    return ActShown(act.name, act.passed, act.decided, act.passed / act.decided, interval)


@dataclass(frozen=True)
class RolledYield:
    """Product of step yields; `interval` is None where fewer than five wafers stand behind it."""

    share: float | None
    interval: ShareInterval | None
    wafers: int


def rolled_yield(
    passed: ArrayLike,
    decided: ArrayLike,
    step_intervals: Sequence[ShareInterval | None] | None = None,
    level: float = 0.95,
) -> RolledYield:
    """Product of step yields R = Π p_s with an interval that lets the steps of one wafer go together.

    `passed`, `decided`: (wafers, steps) counts. V = k/(k−1) Σ_w [Σ_s (x_sw − p_s m_sw)/(N_s p_s)]²;
    R exp(±t_{k−1} √V). A step without losses adds nothing to V: the log of its own lower bound is added in
    squares (in simulation .95 or more, where V alone falls to .84); without any loss the wider of V and the
    product of the steps' bounds stands. The bounds are `step_intervals` (one a step; None: not claimed, and
    then no interval here either), or those of the wafers as acts.
    """
    x, m = np.asarray(passed, dtype=float), np.asarray(decided, dtype=float)
    if x.ndim != 2 or x.shape != m.shape:
        raise ValueError("passed and decided are tables of wafers by steps, of one shape")
    if not bool(np.all((x >= 0) & (x <= m))):
        raise ValueError("more passed than were decided")
    used = m.sum(axis=1) > 0
    x, m, k = x[used], m[used], int(used.sum())
    n = m.sum(axis=0)
    if m.shape[1] == 0 or bool(np.any(n == 0)):
        return RolledYield(None, None, k)
    p = x.sum(axis=0) / n
    rolled = float(np.prod(p))
    if k < MIN_ACTS:
        return RolledYield(rolled, None, k)
    own = _wafers_as_acts(x, m, level) if step_intervals is None else step_intervals
    flawless = [interval for interval, share in zip(own, p, strict=True) if share == 1]
    bounds = [i for i in (own if rolled == 0 else flawless) if i is not None]
    if len(bounds) < (len(p) if rolled == 0 else len(flawless)):
        return RolledYield(rolled, None, k)
    if rolled == 0:
        return RolledYield(0.0, ShareInterval(0.0, math.prod(i.high for i in bounds), level), k)
    if rolled == 1:
        return RolledYield(1.0, ShareInterval(math.prod(i.low for i in bounds), 1.0, level), k)
    v = k / (k - 1) * float(((((x - p * m) / (n * p)).sum(axis=1)) ** 2).sum())
    half = t_quantile(level, k - 1) * math.sqrt(v)
    down = math.hypot(half, *(math.log(i.low) for i in bounds))
    interval = ShareInterval(rolled * math.exp(-down), min(1.0, rolled * math.exp(half)), level)
    return RolledYield(rolled, interval, k)


def _wafers_as_acts(x: Floats, m: Floats, level: float) -> list[ShareInterval | None]:
    steps = ([Act(str(w), int(x[w, s]), int(m[w, s])) for w in range(len(x))] for s in range(x.shape[1]))
    return [step_yield(acts, level=level).interval for acts in steps]


@dataclass(frozen=True)
class Difference:
    """A difference of two shares, in shares (not percent), with its interval."""

    value: float
    low: float
    high: float
    level: float = 0.95

    @property
    def leaves_out_zero(self) -> bool:
        """True where the interval leaves out 'no change'."""
        return self.low > 0 or self.high < 0


def difference(after: float, after_in: ShareInterval, before: float, before_in: ShareInterval) -> Difference:
    """Difference of two independent shares by square-and-add (MOVER) on their own intervals.

    d − √((p₁−l₁)² + (u₂−p₂)²) to d + √((u₁−p₁)² + (p₂−l₂)²).
    Source: method 10 of Newcombe, Stat. Med. 17, 873 (1998).
    """
    d = after - before
    low = d - math.hypot(after - after_in.low, before_in.high - before)
    high = d + math.hypot(after_in.high - after, before - before_in.low)
    return Difference(d, max(-1.0, low), min(1.0, high), after_in.level)


def shared_wafer_difference(after: Sequence[Act], before: Sequence[Act], level: float = 0.95) -> Difference | None:
    """Mean of within-wafer differences of two shares with Student's t over wafers; the acts are wafers by name.

    None under five wafers that decided devices on both sides.
    """
    shares = {a.name: a.passed / a.decided for a in before if a.decided}
    pairs = [a.passed / a.decided - shares[a.name] for a in after if a.decided and a.name in shares]
    k = len(pairs)
    if k < MIN_ACTS:
        return None
    mean = float(np.mean(pairs))
    half = t_quantile(level, k - 1) * float(np.std(pairs, ddof=1)) / math.sqrt(k)
    return Difference(mean, max(-1.0, mean - half), min(1.0, mean + half), level)


@dataclass(frozen=True)
class Bounds:
    """What a share could be, were the unmeasured all misses (low) or all hits (high)."""

    low: float
    high: float


def unmeasured_bounds(hits: int, measured: int, total: int) -> Bounds | None:
    """Bounds [hits/total, (hits + unmeasured)/total] of a share some of whose devices nobody measured.

    None where there are no devices. Source: worst-case bounds of Manski (1989), from memory.
    """
    if not 0 <= hits <= measured <= total:
        raise ValueError(f"{hits} hits of {measured} measured of {total} is not a count")
    if total == 0:
        return None
    return Bounds(hits / total, (hits + total - measured) / total)
