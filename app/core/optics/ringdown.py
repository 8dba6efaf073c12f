"""Ring-down: light is shut off and the stored light leaks out; its decay is the lifetime, without any laser line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import least_squares as _least_squares
from scipy.special import stdtrit

from app.core.optics.results import SPEED_OF_LIGHT_M_PER_S, FloatArray, Measured

FEWEST_POINTS = 12
"""Samples after the light went off."""
LEAST_LIFETIMES = 1.5
LEAST_POINTS_A_LIFETIME = 4.0
_EVIDENCE = 10.0
_STARTS = 9


class RingDownUnreadable(ValueError):  # noqa: N818  says what was found
    """No decay can be read from this record; the text says why and what to do."""


@dataclass(frozen=True, eq=False)
class RingDownFit:
    """Lifetime of the loaded mode (ns) and what goes with it; `beat_mhz` only of a split mode.

    `curve` (m,) is the fitted signal at `at_ns` (m,), counted from the first sample of the file.
    """

    model: Literal["single", "beating"]
    lifetime_ns: Measured
    linewidth_mhz: Measured
    beat_mhz: Measured | None
    off_ns: float
    points: int
    lifetimes: float
    delta_bic: float
    noise: float
    doubts: tuple[str, ...]
    at_ns: FloatArray
    curve: FloatArray

    def q_loaded(self, wavelength_nm: float) -> Measured:
        """Q = 2 pi nu tau."""
        scale = 2 * math.pi * SPEED_OF_LIGHT_M_PER_S / wavelength_nm
        return _scaled(self.lifetime_ns, scale)

    def q_intrinsic(
        self, wavelength_nm: float, balance: float, balance_sigma: float = 0.0, *, over: bool = False
    ) -> Measured:
        """Q_0 = 2 Q_L/(1 + s b), b = sqrt(T_min) of the same mode at the same coupling, s = +1 under, -1 over."""
        sign = -1.0 if over else 1.0
        if not 0.0 <= balance <= 1.0 or 1.0 + sign * balance <= 0.0:
            raise ValueError("a coupling balance lies from 0 to 1, and below 1 where over-coupled")
        loaded = self.q_loaded(wavelength_nm)
        ratio = 2.0 / (1.0 + sign * balance)
        value = loaded.value * ratio
        extra = 1.96 * balance_sigma / (1.0 + sign * balance)
        low = None if loaded.low is None else value * math.exp(-math.hypot(math.log(loaded.value / loaded.low), extra))
        high = (
            None if loaded.high is None else value * math.exp(math.hypot(math.log(loaded.high / loaded.value), extra))
        )
        relative = math.hypot((loaded.sigma or 0.0) / loaded.value, extra / 1.96)
        return Measured(value, value * relative, low, high)


def decay(time_ns: FloatArray, rate_mhz: float, beat_mhz: float = 0.0) -> FloatArray:
    """Light left in the driven direction, exp(-k t) (1 + cos 2 g t)/2, with k = 2 pi rate and 2 g = 2 pi beat.

    rate: full linewidth, beat: splitting, both in MHz of ordinary frequency; without a beat exp(-k t).
    Source: Weiss et al., Opt. Lett. 20, 1835 (1995).
    """
    t = np.asarray(time_ns, float) * 1e-3
    return np.exp(-2 * np.pi * rate_mhz * t) * (1 + np.cos(2 * np.pi * beat_mhz * t)) / 2


def fit_ringdown(
    time_ns: FloatArray,
    power: FloatArray,
    *,
    off_ns: float | None = None,
    response_ns: float | None = None,
    model: Literal["auto", "single", "beating"] = "auto",
) -> RingDownFit:
    """Fit p = a exp(-t/tau) + d, or exp(-t/tau) (a + b cos w t + c sin w t) + d for a split mode.

    time_ns, power: (n,) in any order. `off_ns` is when the light went off, on the file's own clock; else the last time
    the record stands above nine tenths of its height. `response_ns` is the detector's and shutter's time constant.
    Linear parameters are projected out; the interval is Student's on ln tau, widened for correlated residuals; the
    beat is taken where it lowers BIC by more than 10. Raises RingDownUnreadable.
    Source: Weiss et al., Opt. Lett. 20, 1835 (1995), its phase and depth left free.
    """
    t, y = _ordered(time_ns, power)
    first = _off(y) if off_ns is None else int(np.searchsorted(t, off_ns))
    if len(t) - first < FEWEST_POINTS:
        raise RingDownUnreadable(
            f"Only {max(len(t) - first, 0)} samples lie after the light went off; a decay takes {FEWEST_POINTS}."
        )
    begin = float(t[first])
    t, y = t[first:] - begin, y[first:]
    single = _single(t, y)
    beating = None if model == "single" else _beating(t, y, single)
    n = len(t)
    delta = 0.0 if beating is None else _bic(single.rss, n, 3) - _bic(beating.rss, n, 6)
    chosen = beating if beating is not None and (model == "beating" or delta > _EVIDENCE) else single
    if model == "beating" and beating is None:
        raise RingDownUnreadable("No beat fits this decay.")
    return _stated(t, chosen, begin, delta, response_ns)


@dataclass(frozen=True, eq=False)
class _Fit:
    tau: float
    omega: float
    rss: float
    curve: FloatArray
    residuals: FloatArray
    jacobian: FloatArray


def _ordered(time_ns: FloatArray, power: FloatArray) -> tuple[FloatArray, FloatArray]:
    t, y = np.asarray(time_ns, float), np.asarray(power, float)
    if t.shape != y.shape or t.ndim != 1:
        raise RingDownUnreadable("Time and power must be two columns of the same length.")
    fine = np.isfinite(t) & np.isfinite(y)
    t, y = t[fine], y[fine]
    order = np.argsort(t, kind="stable")
    t, y = t[order], y[order]
    if len(t) < FEWEST_POINTS or not np.ptp(t) > 0:
        raise RingDownUnreadable(f"{len(t)} samples are too few for a decay; it takes at least {FEWEST_POINTS}.")
    if not np.ptp(y) > 0:
        raise RingDownUnreadable("The signal is the same throughout: nothing decays here.")
    return t, y


def _off(y: FloatArray) -> int:
    width = max(1, len(y) // 200)
    smooth = np.convolve(np.pad(y, (width // 2, width - 1 - width // 2), mode="edge"), np.ones(width) / width, "valid")
    floor = float(np.median(smooth[-max(3, len(y) // 20) :]))
    height = float(np.quantile(smooth, 1 - 2 / len(smooth))) - floor
    if height <= 0:
        raise RingDownUnreadable("The record ends higher than it begins: no decay. Is the signal upside down?")
    above = np.flatnonzero(smooth > floor + 0.9 * height)
    return int(above[-1]) if len(above) else 0


def _basis(t: FloatArray, rate: float, omega: float) -> FloatArray:
    fall = np.exp(-rate * t)
    columns = [fall, np.ones_like(t)]
    if omega:
        columns += [fall * np.cos(omega * t), fall * np.sin(omega * t)]
    return np.column_stack(columns)


def _project(t: FloatArray, y: FloatArray, rate: float, omega: float) -> tuple[FloatArray, FloatArray]:
    columns = _basis(t, rate, omega)
    amounts: FloatArray = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], dtype=float)
    return amounts, np.asarray(columns @ amounts, dtype=float)


def _single(t: FloatArray, y: FloatArray) -> _Fit:
    rates = np.geomspace(0.5, 0.5 * len(t), 24) / t[-1]
    start = min(rates, key=lambda rate: _rss(t, y, float(rate), 0.0))
    done = _least_squares(lambda p: _project(t, y, math.exp(p[0]), 0.0)[1] - y, [math.log(start)], x_scale=[0.1])
    return _finish(t, y, math.exp(float(done.x[0])), 0.0)


def _rss(t: FloatArray, y: FloatArray, rate: float, omega: float) -> float:
    return float(((_project(t, y, rate, omega)[1] - y) ** 2).sum())


def _beating(t: FloatArray, y: FloatArray, single: _Fit) -> _Fit | None:
    """From the strongest frequencies of what one exponential leaves over, and a few beats a lifetime."""
    step = float(np.median(np.diff(t)))
    fastest = math.pi / step
    span = float(t[-1])
    grid = np.linspace(2 * math.pi * 0.25 / span, 0.9 * fastest, min(1500, 8 * len(t)))
    if len(t) > 4000:
        grid = grid[grid < 60 * math.pi / single.tau]
    weight = np.exp(-t / (2 * single.tau))
    thin = max(1, len(t) // 2000)
    seen = (single.residuals * weight)[::thin]
    strength = np.abs(np.exp(-1j * np.outer(grid, t[::thin])) @ seen)
    peaks = grid[np.argsort(strength)[::-1][:40]]
    tries: list[float] = []
    for omega in peaks:
        if all(abs(omega - known) > 2.0 / span for known in tries):
            tries.append(float(omega))
        if len(tries) >= 3:
            break
    starts = [(math.log(factor / single.tau), omega) for omega in tries for factor in (1.0, 0.6)]
    starts.sort(key=lambda start: _rss(t, y, math.exp(start[0]), start[1]))
    best: _Fit | None = None
    for rate, omega in starts[:_STARTS][:2]:
        done = _least_squares(
            lambda p: _project(t, y, math.exp(p[0]), p[1])[1] - y,
            [rate, omega],
            x_scale=[0.1, 1.0 / span],
            bounds=([rate - 4, 0.5 / span], [rate + 4, fastest]),
        )
        fit = _finish(t, y, math.exp(float(done.x[0])), float(done.x[1]))
        if best is None or fit.rss < best.rss:
            best = fit
    return best


def _finish(t: FloatArray, y: FloatArray, rate: float, omega: float) -> _Fit:
    amounts, curve = _project(t, y, rate, omega)
    swing = _basis(t, rate, omega)
    falls = curve - amounts[1]
    by_log_tau = falls * rate * t
    columns = [by_log_tau]
    if omega:
        columns.append(t * (amounts[3] * swing[:, 2] - amounts[2] * swing[:, 3]))
    jacobian = np.column_stack([*columns, swing])
    residuals = y - curve
    return _Fit(1 / rate, omega, float((residuals**2).sum()), curve, residuals, jacobian)


def _bic(rss: float, n: int, parameters: int) -> float:
    return n * math.log(max(rss, 1e-300) / n) + parameters * math.log(n)


def _stated(t: FloatArray, fit: _Fit, begin: float, delta: float, response_ns: float | None) -> RingDownFit:
    n, size = fit.jacobian.shape
    dof = n - size
    variance = fit.rss / dof
    scale = 1 / np.sqrt((fit.jacobian**2).sum(0))
    covariance = np.linalg.pinv((fit.jacobian * scale).T @ (fit.jacobian * scale)) * np.outer(scale, scale) * variance
    r = fit.residuals
    rho = float(r[1:] @ r[:-1] / (r @ r)) if fit.rss > 0 else 0.0
    rho = rho if rho > 2 / math.sqrt(n) else 0.0
    widen = math.sqrt((1 + rho) / (1 - min(rho, 0.99)))
    sd = widen * math.sqrt(float(covariance[0, 0]))
    height = float(np.ptp(fit.curve))
    if not math.isfinite(sd) or sd > 0.5 or height < 2 * math.sqrt(variance / max(1.0, n / 20)):
        raise RingDownUnreadable("No decay stands out of the noise here. Average more sweeps, or give when it begins.")
    quantile = float(stdtrit(dof, 0.975))
    spread = quantile * sd
    tau = Measured(fit.tau, fit.tau * sd, fit.tau * math.exp(-spread), fit.tau * math.exp(spread))
    width = 1e3 / (2 * math.pi)
    linewidth = Measured(width / fit.tau, width / fit.tau * sd, width / (tau.high or 1), width / (tau.low or 1))
    beat = None
    if fit.omega:
        mhz = fit.omega * 1e3 / (2 * math.pi)
        beat_sd = widen * math.sqrt(float(covariance[1, 1])) * 1e3 / (2 * math.pi)
        beat = Measured(mhz, beat_sd, mhz - quantile * beat_sd, mhz + quantile * beat_sd)
    lifetimes = float(t[-1]) / fit.tau
    return RingDownFit(
        "beating" if fit.omega else "single",
        tau,
        linewidth,
        beat,
        begin,
        n,
        lifetimes,
        delta,
        math.sqrt(variance),
        _doubts(fit, t, lifetimes, rho, response_ns),
        t + begin,
        fit.curve,
    )


def _doubts(fit: _Fit, t: FloatArray, lifetimes: float, rho: float, response_ns: float | None) -> tuple[str, ...]:
    doubts = []
    if lifetimes < LEAST_LIFETIMES:
        doubts.append(
            f"The record ends after {lifetimes:.2g} lifetimes, so that its floor is a guess: record at least 3."
        )
    a_lifetime = fit.tau / float(np.median(np.diff(t)))
    if a_lifetime < LEAST_POINTS_A_LIFETIME:
        doubts.append(f"Only {a_lifetime:.2g} samples lie on a lifetime: sample faster.")
    if response_ns is not None and response_ns > 0.3 * fit.tau:
        doubts.append(
            f"Detector and shutter take {response_ns:.3g} ns, the light {fit.tau:.3g} ns: "
            "the lifetime is an upper bound, and so is Q."
        )
    if rho > 0.5:
        doubts.append("What the curve leaves over is not noise: is more than one mode ringing, or the detector slow?")
    return tuple(doubts)


def _scaled(measured: Measured, by: float) -> Measured:
    def times(end: float | None) -> float | None:
        return None if end is None else end * by

    return Measured(measured.value * by, times(measured.sigma), times(measured.low), times(measured.high))
