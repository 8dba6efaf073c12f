"""What the residuals say: noise, their memory, and which shape the data ask for."""

from __future__ import annotations

import cmath
from dataclasses import dataclass

import numpy as np

from app.core.optics.fit import Candidates, Fitted
from app.core.optics.results import FloatArray, Reading

THRESHOLD = 10.0
"""Difference in BIC above which a resonance, or its splitting, is taken as there."""


@dataclass(frozen=True)
class Noise:
    """Residual variance per sample, `memory` f >= 1 (n / f samples count as independent) and effective numbers."""

    variance: float
    memory: float
    effective: float
    dof: float
    reduced_chi2: float

    @property
    def independent_variance(self) -> float:
        """Variance to be used as if all samples were independent."""
        return self.variance * self.memory


def noise_of(residual: FloatArray, size: int, samples_per_width: float, level: float) -> Noise:
    """Noise from the residuals (n,) of a fit with `size` parameters.

    Memory is the long-run variance over the variance: from means of blocks of a quarter of a width, and from the
    lag-one correlation rho as (1 + rho)/(1 - rho), two widths at most; the
    greater is taken, and 1 where rho is within chance.
    """
    n = len(residual)
    dof = max(n - size, 1)
    floor = (1e-9 * level) ** 2
    variance = max(float(residual @ residual) / dof, floor)
    steps = np.diff(residual)
    between = max(float(steps @ steps) / (2.0 * max(n - 1, 1)) * n / dof, floor)
    # The fit takes away slow parts: white noise has rho of about -size/n after it.
    rho = 1.0 - between / variance
    memory, blocks = 1.0, float(n)
    if rho * np.sqrt(n) > 2.6:
        rho = min(max(rho, 0.0), 0.9999)
        # What a wrong shape leaves is smooth, but no longer than the dip is wide.
        memory = max(min((1.0 + rho) / (1.0 - rho), 2.0 * samples_per_width), 1.0)
        length = int(max(samples_per_width / 4.0, 1.0))
        count = n // length
        if length > 1 and count > size + 2:
            means = residual[: count * length].reshape(count, length).mean(axis=1)
            long_run = float(means @ means) * length / (count - size)
            memory = max(memory, long_run / variance, 1.0)
        blocks = n / memory
    effective = max(n / memory, size + 2.0)
    return Noise(variance, memory, effective, max(blocks - size, 1.0), variance / between)


def bic(rss: float, size: int, n: int, noise: Noise) -> float:
    """n_eff ln(rss/n) + size ln n_eff."""
    floor = 1e-6 * noise.variance * n
    return noise.effective * float(np.log(max(rss, floor) / n)) + size * float(np.log(noise.effective))


@dataclass(frozen=True, eq=False)
class Choice:
    """The shape taken: `fitted` in regime `reading`; `other` is the same shape in the other regime, if it fits."""

    fitted: Fitted
    other: Fitted | None
    reading: Reading
    line_shape_decides: bool
    delta_bic: float


def best_split(candidates: Candidates, asked: Reading | None, noise: Noise, n: int) -> Choice | None:
    """The split fit in the regime the line shape decides for, or else the one asked for (under by default)."""
    pairs: dict[Reading, Fitted | None] = {
        "under": _widths_as_evident(candidates.under, candidates.unequal_under, noise, n),
        "over": _widths_as_evident(candidates.over, candidates.unequal_over, noise, n),
    }
    found = [reading for reading, fitted in pairs.items() if fitted is not None]
    if not found:
        return None
    winner = min(found, key=lambda reading: _rss(pairs[reading]))
    loser: Reading = "over" if winner == "under" else "under"
    gain = (_rss(pairs[loser]) - _rss(pairs[winner])) / noise.independent_variance
    decided = gain > THRESHOLD
    reading = winner if decided else (asked or "under")
    if pairs[reading] is None:
        reading = winner
    fitted = pairs[reading]
    assert fitted is not None  # noqa: S101  (one of the two is there)
    other = None if decided else pairs["over" if reading == "under" else "under"]
    return Choice(fitted, other, reading, decided, 0.0)


def _rss(fitted: Fitted | None) -> float:
    return np.inf if fitted is None else fitted.rss


def _widths_as_evident(common: Fitted | None, unequal: Fitted | None, noise: Noise, n: int) -> Fitted | None:
    """Free widths where the modes are resolved or the evidence asks for them, else common ones."""
    if common is None or not acceptable(common):
        common = None
    if unequal is None or not acceptable(unequal):
        return common
    if common is not None and unequal.rss > common.rss:
        return common
    if resolved(unequal) and (common is None or resolved(common)):
        return unequal
    if common is None:
        return None
    base = common.rss - unequal.rss
    gain = bic(noise.variance * n + base, common.size, n, noise) - bic(noise.variance * n, unequal.size, n, noise)
    return unequal if gain > THRESHOLD else common


def half_splitting(fitted: Fitted) -> complex:
    """g_r - i g_i in scaled units."""
    return cmath.sqrt(complex(fitted.p[3], fitted.p[4]))


def resolved(fitted: Fitted) -> bool:
    """Whether the splitting exceeds one linewidth."""
    return 2.0 * half_splitting(fitted).real > float(fitted.p[1])


def acceptable(fitted: Fitted) -> bool:
    """A split that is one: splitting above nothing, both modes in the window, each wider than a bin, light coupled."""
    g = half_splitting(fitted)
    z0, w, eta = (float(v) for v in fitted.p[:3])
    z = fitted.samples.z
    narrower = w - 2.0 * abs(g.imag)
    inside = z0 - g.real > z[0] and z0 + g.real < z[-1]
    return bool(g.real > 0.02 * w and inside and narrower > 0.05 * w and 1e-3 < eta < 0.999)


def misfit(fitted: Fitted) -> float:
    """Rms of what the fit leaves near the modes beyond what it leaves elsewhere, over the dip's depth."""
    s = fitted.samples
    t, _ = fitted.shape.model(fitted.p, s.z)
    r = s.y - t * (fitted.b @ s.u)
    g_r = half_splitting(fitted).real if fitted.split else 0.0
    modes = np.array([fitted.p[0] - g_r, fitted.p[0] + g_r])
    near = np.min(np.abs(s.z - modes[:, None]), axis=0) < fitted.p[1]
    if near.sum() < 8 or (~near).sum() < 8:
        return 0.0
    inside, outside = (float(np.average(r[m] ** 2, weights=s.weight[m])) for m in (near, ~near))
    return float(np.sqrt(max(inside - outside, 0.0)) / max(1.0 - t.min(), 1e-9))


def in_words(delta_bic: float) -> str:
    """The evidence as a sentence; words are capped at 'decisive'."""
    size = abs(delta_bic)
    shape = "a split" if delta_bic > 0 else "a single"
    if size < 2:
        return f"The data cannot tell a split from a single resonance (difference in BIC {delta_bic:+.1f})."
    word = "decisive" if size > 10 else "strong" if size > 6 else "positive"
    return f"The evidence for {shape} resonance is {word} (BIC of single less BIC of split: {delta_bic:+.1f})."
