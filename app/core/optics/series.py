"""One mode over many scans: linewidth at zero power and at zero coupling, repeats, ageing. Modes are never mixed.

Every series is a weighted straight line (or a mean) whose points carry their own doubt and, on top, a scatter
between scans that no single fit can know; the scatter is estimated from the series itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from app.core.optics.results import FloatArray, Measured

LEVEL = 0.95
FEWEST = 3
"""Points of a line: fewer leave nothing to check it by."""
FEWEST_FOR_SCATTER = 5
LEAST_DAYS = 7.0
LEAST_SPAN = 1.5
"""Highest over lowest input power, below which nothing is extrapolated."""
DECISIVE_CHI2 = 10.0
_BEND_SIGMAS = 4.0
_Z = 1.959963984540054


class TooLittleError(ValueError):
    """A series that cannot be extrapolated; the text says what is missing."""


@dataclass(frozen=True)
class Point:
    """One scan of a mode: `value` with its standard deviation at `at`."""

    at: float
    value: float
    sigma: float


@dataclass(frozen=True)
class Line:
    """A weighted line (or, `bent`, parabola) through points, and its value at zero.

    `scatter` is the standard deviation between scans beyond their own doubt; None where too few points tell it,
    and then the interval holds only if there is none.
    """

    at_zero: Measured
    slope: Measured
    curvature: float
    scatter: float | None
    chi2: float
    dof: int
    points: int

    @property
    def bent(self) -> bool:
        """Whether the points ask for a parabola."""
        return self.curvature != 0.0

    def value(self, at: float) -> float:
        """On the line."""
        return self.at_zero.value + self.slope.value * at + self.curvature * at * at


def line(points: Sequence[Point]) -> Line:
    """y = y0 + s x by weighted least squares with scatter between scans.

    Variance of point i is sigma_i^2 + tau^2, tau^2 such that sum r^2/var = n - 2 (Paule and Mandel,
    J. Res. NBS 87, 377 (1982)); from 5 points on the interval is Student's with the weighted residual
    variance (Knapp and Hartung, Stat. Med. 22, 2693 (2003)), below it is the normal one, widened by
    sqrt(chi2/dof) where that exceeds 1. A parabola where its bend is beyond four standard deviations.
    Raises TooLittleError under 3 points or where all lie at one place.
    """
    at, y, sigma = _arrays(points)
    if len(at) < FEWEST:
        raise TooLittleError(f"A line takes at least {FEWEST} scans; there are {len(at)}.")
    if not np.ptp(at) > 0:
        raise TooLittleError("All scans were taken at the same setting; nothing can be extrapolated.")
    scale = float(np.abs(at).max())
    u = at / scale
    columns = np.column_stack([np.ones_like(u), u])
    solved = _solve(columns, y, sigma)
    curvature = 0.0
    if len(at) >= FEWEST_FOR_SCATTER + 1 and len(np.unique(at)) >= 4:
        bent = _solve(np.column_stack([columns, u * u]), y, sigma)
        if abs(bent.beta[2]) > _BEND_SIGMAS * max(bent.sd[2], _own_sd(np.column_stack([columns, u * u]), sigma)[2]):
            solved, curvature = bent, float(bent.beta[2]) / scale**2
    return Line(
        solved.measured(0),
        solved.measured(1, 1.0 / scale),
        curvature,
        solved.scatter,
        solved.chi2,
        solved.dof,
        len(at),
    )


def power_series(points: Sequence[Point]) -> Line:
    """Linewidth (MHz) against input power (any unit), extrapolated to zero power.

    Absorbed light heats the mode and drags it along with the laser, so that a fit reads it too wide; the cold
    width is the value at no power. Raises TooLittleError where the powers span less than half as much again.
    Source: Carmon, Yang and Vahala, Opt. Express 12, 4742 (2004), from memory.
    """
    powers = [point.at for point in points]
    if any(not power > 0 for power in powers):
        raise TooLittleError("An input power is above zero.")
    if len(points) >= FEWEST and max(powers) < LEAST_SPAN * min(powers):
        raise TooLittleError(
            f"The powers run from {min(powers):.3g} to {max(powers):.3g} only: take one at less than "
            f"{max(powers) / LEAST_SPAN / 1.3:.2g}."
        )
    return line(points)


@dataclass(frozen=True)
class CouplingPoint:
    """One scan: full width kappa (MHz) and balance |kappa_0 - kappa_ex|/kappa, with standard deviations.

    The balance is sqrt(T_min) of a single dip, which hides its sign; `signed` where the line shape told it (a split
    pair), and the balance is then negative over critical coupling.
    """

    width_mhz: float
    width_sigma: float
    balance: float
    balance_sigma: float
    signed: bool = False


@dataclass(frozen=True)
class CouplingSeries:
    """Intrinsic width at zero coupling; `readings` scan by scan in the order given.

    `settled` where every other assignment is worse by `delta_chi2` above 10, in units of the best one's chi2/dof where
    that exceeds 1. `parasitic` is how much the taper adds
    to the intrinsic loss for each unit of coupling (0: ideal).
    """

    intrinsic_mhz: Measured
    parasitic: Measured | None
    readings: tuple[Literal["under", "over"], ...]
    settled: bool
    delta_chi2: float
    scatter: float | None


def coupling_series(points: Sequence[CouplingPoint]) -> CouplingSeries:
    """Which scans are under- and which over-coupled, and the intrinsic width at zero coupling.

    With u = +balance under and -balance over coupling, kappa_ex = kappa (1 - u)/2 and
    kappa = kappa_0 + (1 + p) kappa_ex: a straight line over kappa_ex whose value at zero is kappa_0. The wider scans
    are the more strongly coupled ones, so the sign changes at most once in the order of width: of these n + 1
    assignments the one with the least chi2 for a common kappa_0 is taken. Only the coupling may have changed between
    the scans: a mode that aged at one gap looks like this series with the two rates exchanged. Raises TooLittleError
    under 3 scans.
    Source: Gorodetsky and Ilchenko, JOSA B 16, 147 (1999), formulas from memory.
    """
    if len(points) < FEWEST:
        raise TooLittleError(f"A coupling series takes at least {FEWEST} scans; there are {len(points)}.")
    width = np.array([p.width_mhz for p in points])
    order = np.argsort(width, kind="stable")
    tried = sorted(
        ((_common_chi2(points, signs), signs) for signs in _assignments(points, order)), key=lambda pair: pair[0]
    )
    best, signs = tried[0]
    # Where even the best assignment leaves more than noise, the scans differ in more than their coupling.
    delta = (tried[1][0] - best) / max(1.0, best / (len(points) - 1)) if len(tried) > 1 else math.inf
    signed = signs * np.array([abs(p.balance) for p in points])
    intrinsic, parasitic, scatter = _extrapolate(points, signed)
    readings: tuple[Literal["under", "over"], ...] = tuple("under" if sign > 0 else "over" for sign in signs)
    return CouplingSeries(intrinsic, parasitic, readings, delta > DECISIVE_CHI2, float(delta), scatter)


def _assignments(points: Sequence[CouplingPoint], order: np.ndarray) -> list[FloatArray]:
    out = []
    for under in range(len(points) + 1):
        signs = np.full(len(points), -1.0)
        signs[order[:under]] = 1.0
        if all(not p.signed or (p.balance >= 0) == (s > 0) for p, s in zip(points, signs, strict=True)):
            out.append(signs)
    if not out:  # told signs that no single crossing explains: believe each scan, the rest under
        out.append(np.array([1.0 if not p.signed or p.balance >= 0 else -1.0 for p in points]))
    return out


def _common_chi2(points: Sequence[CouplingPoint], signs: FloatArray) -> float:
    values = [p.width_mhz * (1 + s * abs(p.balance)) / 2 for p, s in zip(points, signs, strict=True)]
    sigmas = [
        math.hypot(p.width_sigma * (1 + s * abs(p.balance)) / 2, p.width_mhz * p.balance_sigma / 2)
        for p, s in zip(points, signs, strict=True)
    ]
    y, weight = np.array(values), 1 / np.array(sigmas) ** 2
    return float((weight * (y - (weight * y).sum() / weight.sum()) ** 2).sum())


def _extrapolate(
    points: Sequence[CouplingPoint], balance: FloatArray
) -> tuple[Measured, Measured | None, float | None]:
    """kappa_0 and p by a line with doubt in both coordinates, reweighted as the slope settles.

    Always with p where the scans can tell it: choosing p = 0 when that is not excluded made intervals too narrow.
    """
    width = np.array([p.width_mhz for p in points])
    width_sigma = np.array([p.width_sigma for p in points])
    balance_sigma = np.array([p.balance_sigma for p in points])
    coupling = width * (1 - balance) / 2
    ones = np.ones_like(width)
    plain = _solve(ones[:, None], width - coupling, _effective(width, width_sigma, balance, balance_sigma, 1.0))
    if np.ptp(coupling) < 0.3 * coupling.max() or len(points) < FEWEST_FOR_SCATTER:
        return plain.measured(0), None, plain.scatter
    slope = 1.0
    columns = np.column_stack([ones, coupling])
    for _ in range(20):
        solved = _solve(columns, width, _effective(width, width_sigma, balance, balance_sigma, slope))
        if abs(solved.beta[1] - slope) < 1e-9:
            break
        slope = float(solved.beta[1])
    extra = solved.measured(1)
    ends = [None if end is None else end - 1.0 for end in (extra.low, extra.high)]
    return solved.measured(0), Measured(extra.value - 1.0, extra.sigma, ends[0], ends[1]), solved.scatter


def _effective(
    width: FloatArray, width_sigma: FloatArray, balance: FloatArray, balance_sigma: FloatArray, slope: float
) -> FloatArray:
    """Standard deviation of kappa - slope kappa_ex."""
    return np.hypot((1 - slope * (1 - balance) / 2) * width_sigma, slope * width / 2 * balance_sigma)


@dataclass(frozen=True)
class Repeats:
    """One mode measured again: Q is the exponential of the mean log Q; `scatter` between repeats, relative."""

    q: Measured
    scatter: float | None
    count: int


def repeats(q: Sequence[float], relative_sigma: Sequence[float]) -> Repeats:
    """Mean of ln Q over repeats of one mode with the scatter between them.

    q: (n,) above zero, relative_sigma: (n,) standard deviations of ln Q. The interval as in `line`. Raises
    TooLittleError under two.
    """
    if len(q) < 2:
        raise TooLittleError("Repeats begin with the second scan of a mode.")
    at, y, sigma = _arrays([Point(1.0, math.log(each), s) for each, s in zip(q, relative_sigma, strict=True)])
    solved = _solve(at[:, None], y, sigma)
    mean = solved.measured(0)
    value = math.exp(mean.value)
    return Repeats(
        Measured(value, value * (mean.sigma or 0.0), _exp(mean.low), _exp(mean.high)), solved.scatter, len(q)
    )


@dataclass(frozen=True)
class Ageing:
    """Q against days: where it began, and its relative change in 30 days with interval (-0.1: a tenth lost)."""

    q_at_start: Measured
    change_30_days: Measured
    scatter: float | None
    line: Line

    @property
    def changes(self) -> bool:
        """Whether no change lies outside the interval."""
        low, high = self.change_30_days.low, self.change_30_days.high
        return low is not None and high is not None and not low <= 0.0 <= high


def ageing(days: Sequence[float], q: Sequence[float], relative_sigma: Sequence[float]) -> Ageing:
    """ln Q = a + b days, weighted with scatter as in `line`; days (n,) since the reflow, q (n,) above zero.

    Raises TooLittleError where the scans lie within a week.
    """
    if len(days) >= FEWEST and max(days) - min(days) < LEAST_DAYS:
        raise TooLittleError(f"The scans lie within {LEAST_DAYS:g} days: too soon to tell ageing.")
    drawn = line([Point(d, math.log(each), s) for d, each, s in zip(days, q, relative_sigma, strict=True)])
    start, slope = drawn.at_zero, drawn.slope
    value = math.exp(start.value)
    change = [None if end is None else math.expm1(min(30 * end, 50.0)) for end in (slope.low, slope.high)]
    return Ageing(
        Measured(value, value * (start.sigma or 0.0), _exp(start.low), _exp(start.high)),
        Measured(math.expm1(min(30 * slope.value, 50.0)), 30 * (slope.sigma or 0.0), change[0], change[1]),
        drawn.scatter,
        drawn,
    )


def _exp(end: float | None) -> float | None:
    return None if end is None else math.exp(end)


def _arrays(points: Sequence[Point]) -> tuple[FloatArray, FloatArray, FloatArray]:
    at, y, sigma = (np.array([getattr(p, name) for p in points], float) for name in ("at", "value", "sigma"))
    if not bool(np.all(np.isfinite(at) & np.isfinite(y) & np.isfinite(sigma) & (sigma > 0))):
        raise TooLittleError("Every scan of a series needs a value with its uncertainty.")
    return at, y, sigma


@dataclass(frozen=True, eq=False)
class _Solved:
    beta: FloatArray
    sd: FloatArray
    quantile: float
    scatter: float | None
    chi2: float
    dof: int

    def measured(self, i: int, scale: float = 1.0) -> Measured:
        value, sd = float(self.beta[i]) * scale, float(self.sd[i]) * scale
        return Measured(value, sd, value - self.quantile * sd, value + self.quantile * sd)


def _own_sd(columns: FloatArray, sigma: FloatArray) -> FloatArray:
    return np.sqrt(np.diag(np.linalg.inv(columns.T @ (columns / sigma[:, None] ** 2))))


def _solve(columns: FloatArray, y: FloatArray, sigma: FloatArray) -> _Solved:
    n, size = columns.shape
    dof = n - size
    chi2 = _fitted(columns, y, sigma**2)[2]
    if n < FEWEST_FOR_SCATTER:
        beta, covariance, _ = _fitted(columns, y, sigma**2)
        widen = max(1.0, math.sqrt(chi2 / dof)) if dof else 1.0
        return _Solved(beta, widen * np.sqrt(np.diag(covariance)), _Z, None, chi2, dof)
    tau2 = _between(columns, y, sigma, dof)
    beta, covariance, rest = _fitted(columns, y, sigma**2 + tau2)
    quantile = float(stdtrit(dof, 0.5 + LEVEL / 2))
    return _Solved(beta, np.sqrt(np.diag(covariance) * rest / dof), quantile, math.sqrt(tau2), chi2, dof)


def _fitted(columns: FloatArray, y: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    weighted = columns / variance[:, None]
    covariance: FloatArray = np.asarray(np.linalg.inv(columns.T @ weighted), dtype=float)
    beta: FloatArray = np.asarray(covariance @ (weighted.T @ y), dtype=float)
    r = y - columns @ beta
    return beta, covariance, float((r * r / variance).sum())


def _between(columns: FloatArray, y: FloatArray, sigma: FloatArray, dof: int) -> float:
    """tau^2 with sum r^2/(sigma^2 + tau^2) = dof; 0 where the points' own doubt explains them."""
    if _fitted(columns, y, sigma**2)[2] <= dof:
        return 0.0
    low, high = 0.0, float(np.ptp(y) ** 2 + (sigma**2).max())
    while _fitted(columns, y, sigma**2 + high)[2] > dof:
        high *= 4.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _fitted(columns, y, sigma**2 + middle)[2] > dof else (low, middle)
    return (low + high) / 2
