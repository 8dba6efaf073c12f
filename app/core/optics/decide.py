"""One window of a scan fitted in every shape, and which of them the data ask for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from app.core.optics import evidence
from app.core.optics.assemble import Scale
from app.core.optics.evidence import THRESHOLD, Choice, Noise, bic
from app.core.optics.fit import Candidates, Fitted, fit_all, fit_pair, refined
from app.core.optics.guess import Dip
from app.core.optics.lineshapes import transmission_of
from app.core.optics.results import FitOptions, FloatArray, NoFit
from app.core.optics.rivals import Rival, rivals

_MISFIT = 0.08
_PLAIN = 8.0
"""Depth over what the best fit leaves, from which a dip of some samples is there whatever its shape."""
_FEWEST_ACROSS = 8.0
_NEAR_PAIR = 1.5
"""Splitting in linewidths below which a distorted single dip can pass for a pair."""


@dataclass(frozen=True, eq=False)
class Round:
    """One window fitted: x (n,) in MHz, residual (n,) in levels of the shape chosen; `refusal`: not to be believed."""

    scale: Scale
    x: FloatArray
    choice: Choice
    noise: Noise
    residual: FloatArray
    refusal: NoFit | None
    plain: Fitted
    """The symmetric single dip."""
    odd: tuple[Rival, ...]
    """What tells a single dip better than the symmetric one does, best first."""
    shows: dict[str, float]
    """The chi^2 that each kind of lopsidedness would have cost, were it large enough to matter."""

    @property
    def level_variance(self) -> float:
        """Variance of the residuals in the unit of the signal squared."""
        return self.noise.variance * self.scale.level**2


def fit_window(x: FloatArray, y: FloatArray, dip: Dip, options: FitOptions, searched: int) -> Round:
    """Fit the samples of one window, whose dip was the best of `searched` samples."""
    level = max(dip.level, 1e-3 * float(np.ptp(y)))
    scale = Scale(dip.centre, dip.width, level, float(x[0]), float(x[-1]))
    z, ys = (x - scale.centre_mhz) / scale.width_mhz, y / level
    second = None if dip.second is None else (dip.second - dip.centre) / dip.width
    candidates = fit_all(z, ys, Dip(0.0, 1.0, dip.depth / level, dip.snr, second), dip.noise / level)
    best = _lowest(candidates)
    one = candidates.single
    all_odd: tuple[Rival, ...] = ()
    shows: dict[str, float] = {}
    if options.model != "split" and one.p[2] > 0 and _may_be_odd(best, (dip.noise / level) ** 2):
        one = refined(one, candidates.samples)
        all_odd, shows = rivals(one, (dip.noise / level) ** 2)
        best = min([best, *(r.fitted for r in all_odd)], key=lambda f: f.rss)
    residual = _residual(z, ys, best)
    noise = _noise(z, residual, best)
    n = len(z)
    full = noise.variance * (n - best.size)

    def bic_of(fitted: Fitted) -> float:
        return bic(full + fitted.rss - best.rss, fitted.size, n, noise)

    flat = bic(full + candidates.flat_rss - best.rss, 3, n, noise)
    refusal = None
    # A shape that does not fit leaves too few independent samples to say what is plain to see.
    across = float(one.p[1]) * n / float(z[-1] - z[0])
    plain_to_see = one.p[2] > _PLAIN * float(np.sqrt(noise.variance)) and across > _FEWEST_ACROSS
    gain = flat - min(bic_of(one), bic_of(best))
    if one.p[2] <= 0 or (gain <= _price(searched, n, noise, best.size) and not plain_to_see):
        refusal = NoFit("no_resonance", "")
    split = evidence.best_split(candidates, options.regime, noise, n)
    if split is not None:
        split = replace(split, delta_bic=bic_of(one) - bic_of(split.fitted))
    if options.model == "split" and split is None:
        refusal = NoFit("not_split", "No split resonance can be fitted here: the two modes fall together.")
    evident = split is not None and (
        options.model == "split" or (options.model == "auto" and _split_evident(split, candidates, noise, bic_of))
    )
    odd = tuple(r for r in all_odd if bic_of(one) - bic_of(r.fitted) > THRESHOLD)
    if options.model == "auto" and split is not None and odd and bic_of(odd[0].fitted) < bic_of(split.fitted):
        evident = False
    if evident and split is not None:
        choice, odd = split, ()
    else:
        # Where no split fit came out, one more parameter would have gained nothing.
        told = odd[0].fitted if odd else one
        delta = -float(np.log(noise.effective)) if split is None else split.delta_bic
        delta -= bic_of(one) - bic_of(told)
        choice = Choice(told, None, options.regime or "under", line_shape_decides=False, delta_bic=delta)
    if choice.fitted is not best:
        residual = _residual(z, ys, choice.fitted)
        noise = _noise(z, residual, choice.fitted)
    return Round(scale, x, choice, noise, residual, refusal, one, odd, shows)


def _price(searched: int, n: int, noise: Noise, size: int) -> float:
    """Difference in BIC a dip must show: 10, more where it is the best of many places or samples are few.

    The best of `searched`/n windows looks better than it is; with few effective samples the penalty of BIC, which
    is for many, is stretched by n/(n - k - 1) as in the corrected information criteria.
    """
    few = noise.effective / max(noise.effective - size - 1.0, 0.5) - 1.0
    return THRESHOLD + 2.0 * float(np.log(searched / n)) + few * size * float(np.log(noise.effective))


def _split_evident(split: Choice, candidates: Candidates, noise: Noise, bic_of: Callable[[Fitted], float]) -> bool:
    """Split by more than 10, and not better told as something else.

    Below one linewidth the pair with common widths must earn it by itself; two dips well apart must not be told
    better by two unrelated modes.
    """
    if split.delta_bic <= THRESHOLD:
        return False
    points = len(candidates.samples.z)
    left = split.fitted.rss / noise.independent_variance - points
    nothing_left = left < 2.0 * float(np.sqrt(2.0 * points))
    if not nothing_left and evidence.misfit(split.fitted) > _MISFIT:
        return False
    apart = _apart(split.fitted)
    if apart > 2.0:
        return nothing_left or bic_of(split.fitted) - bic_of(fit_pair(split.fitted)) <= THRESHOLD
    if apart > 1.0:
        return True
    common = [f for f in (candidates.under, candidates.over) if f is not None and evidence.acceptable(f)]
    return bool(common) and bic_of(candidates.single) - min(bic_of(f) for f in common) > THRESHOLD


def _may_be_odd(best: Fitted, variance: float) -> bool:
    """Whether a distorted single dip could tell this better: no pair well apart, or one that does not fit."""
    points = len(best.samples.z)
    poor = best.rss / variance - points > 5.0 * float(np.sqrt(2.0 * points))
    return poor or not best.split or _apart(best) < _NEAR_PAIR


def _apart(fitted: Fitted) -> float:
    """Splitting in linewidths."""
    return 2.0 * evidence.half_splitting(fitted).real / float(fitted.p[1])


def _lowest(candidates: Candidates) -> Fitted:
    c = candidates
    pairs = [f for f in (c.under, c.over, c.unequal_under, c.unequal_over) if f is not None]
    return min([c.single, *(f for f in pairs if evidence.acceptable(f))], key=lambda f: f.rss)


def _residual(z: FloatArray, y: FloatArray, fitted: Fitted) -> FloatArray:
    level, slope, bend = (float(v) for v in fitted.b)
    # The baseline as a polynomial in z - middle, which costs the fewest passes over the samples.
    half = 0.5 * float(z[-1] - z[0])
    at = z - 0.5 * float(z[0] + z[-1])
    light = at * (bend / half**2)
    light += slope / half
    light *= at
    light += level
    light *= transmission_of(fitted.kind, fitted.p, z)
    return np.asarray(np.subtract(y, light, out=light))


def _noise(z: FloatArray, residual: FloatArray, fitted: Fitted) -> Noise:
    per_width = len(z) * float(fitted.p[1]) / float(z[-1] - z[0])
    return evidence.noise_of(residual, fitted.size, per_width, 1.0)
