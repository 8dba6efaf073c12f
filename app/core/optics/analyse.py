"""The whole automatic analysis of one resonance in one scan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from app.core.optics import evidence
from app.core.optics.assemble import Scale, assemble
from app.core.optics.evidence import THRESHOLD, Choice, Noise, bic
from app.core.optics.fit import Candidates, Fitted, covariance, fit_all, fit_pair
from app.core.optics.guess import Dip, find_dip, find_excursion, rough_baseline, sample_noise
from app.core.optics.results import Analysis, FitOptions, FloatArray, NoFit, Scan
from app.core.optics.samples import baseline_terms

WINDOW_EXTENTS = 25.0
"""Half the window kept of a long scan, in extents (width + splitting) of the resonance."""
WINDOW_SAMPLES = 150
"""And in samples, where the resonance is narrow."""
FEWEST_POINTS = 16
_ROUNDS = 8
_GUARD_WIDTHS = 3.0
_MISFIT = 0.08
_NEIGHBOUR_SNR, _NEIGHBOUR_DEPTH = 8.0, 0.1


@dataclass(frozen=True, eq=False)
class _Round:
    """One window fitted: x (n,) in MHz, residual (n,) in levels of the shape chosen; `refusal`: not to be believed."""

    scale: Scale
    x: FloatArray
    choice: Choice
    noise: Noise
    residual: FloatArray
    refusal: NoFit | None


def analyse(scan: Scan, options: FitOptions | None = None) -> Analysis | NoFit:
    """Find the strongest resonance of a scan, fit it single and split, weigh the evidence, and state Q.

    The scan is cut to 25 extents of the resonance to each side, and before any other dip. Returns NoFit where no
    dip beats the baseline alone by a difference in BIC of 10, or where it cannot be fitted.
    """
    options = options or FitOptions()
    x, y = scan.detuning_mhz, scan.signal - options.dark
    if len(x) < FEWEST_POINTS:
        return NoFit("too_few_points", f"{len(x)} samples are too few; a fit takes at least {FEWEST_POINTS}.")
    dip = find_dip(x, y)
    if dip is None:
        return NoFit("no_resonance", no_dip_text(x, y))
    if dip.snr > 10 and dip.depth > 1.1 * _level(x, y, dip):
        return NoFit("below_dark", _BELOW_DARK)
    done = _rounds(x, y, dip, options)
    if done is None:
        return NoFit("too_few_points", "Too few samples lie around the dip for a fit.")
    refusal = done.refusal or _refused(done, (float(x[0]), float(x[-1])))
    if refusal is not None:
        return replace(refusal, text=no_dip_text(x, y)) if refusal.code == "no_resonance" else refusal
    return assemble(scan, options, done.scale, done.choice, done.noise, done.x)


def _rounds(x: FloatArray, y: FloatArray, dip: Dip, options: FitOptions) -> _Round | None:
    """Fit, look what else is in the window, cut before it, fit again."""
    walls = (float(x[0]), float(x[-1]))
    window = _window(x, dip, walls)
    done: _Round | None = None
    for _ in range(_ROUNDS):
        part = slice(*np.searchsorted(x, [window[0], np.nextafter(window[1], np.inf)]))
        if part.stop - part.start < FEWEST_POINTS:
            break
        done = _fit_window(x[part], y[part], dip, options, len(x))
        dip, walls = _neighbours(done, dip, walls)
        wanted = _window(x, dip, walls)
        if _same(x, window, wanted):
            break
        window = wanted
    return done


_BELOW_DARK = "The dip reaches below no light at all: give the detector's level without light."


def no_dip_text(x: FloatArray, y: FloatArray) -> str:
    """Why there is nothing to fit, with a word on a peak where there is one."""
    text = f"No resonance: no dip stands out of the noise in {len(x)} samples."
    mirrored = 2.0 * float(np.max(y)) - y
    peak = find_dip(x, mirrored)
    if peak is None or peak.snr < 8:
        return text
    if _fit_window(x, mirrored, peak, FitOptions(model="single"), len(x)).refusal is None:
        text += " A peak does; peaks (reflection or drop port) are not fitted yet."
    return text


def _extent(dip: Dip) -> float:
    return dip.width + (0.0 if dip.second is None else abs(dip.second - dip.centre))


def _middle(dip: Dip) -> float:
    return dip.centre if dip.second is None else 0.5 * (dip.centre + dip.second)


def _window(x: FloatArray, dip: Dip, walls: tuple[float, float]) -> tuple[float, float]:
    """25 extents to each side, and a fair number of samples, as far as the walls allow."""
    middle, reach = _middle(dip), WINDOW_EXTENTS * _extent(dip)
    at = int(np.searchsorted(x, middle))
    few = float(x[max(at - WINDOW_SAMPLES, 0)]), float(x[min(at + WINDOW_SAMPLES, len(x) - 1)])
    return max(min(middle - reach, few[0]), walls[0]), min(max(middle + reach, few[1]), walls[1])


def _same(x: FloatArray, old: tuple[float, float], new: tuple[float, float]) -> bool:
    """Whether the window stays as it is: within a fifth in number of samples, and no wall inside."""
    i, j = np.searchsorted(x, old), np.searchsorted(x, new)
    shared = min(i[1], j[1]) - max(i[0], j[0])
    return bool(shared >= 0.8 * (i[1] - i[0]) and shared >= 0.8 * (j[1] - j[0]) and _inside(old, new))


def _inside(old: tuple[float, float], new: tuple[float, float]) -> bool:
    slack = 0.02 * (old[1] - old[0])
    return new[0] <= old[0] + slack and new[1] >= old[1] - slack


def _level(x: FloatArray, y: FloatArray, dip: Dip) -> float:
    """Rough baseline at the dip."""
    rough = rough_baseline(x, y)
    u = (dip.centre - 0.5 * (x[0] + x[-1])) * 2.0 / (x[-1] - x[0])
    return abs(float(rough @ np.array([1.0, u, u * u])))


def _fit_window(x: FloatArray, y: FloatArray, dip: Dip, options: FitOptions, searched: int) -> _Round:
    """Fit the samples of one window, whose dip was the best of `searched` samples."""
    level = max(_level(x, y, dip), 1e-3 * float(np.ptp(y)))
    scale = Scale(dip.centre, dip.width, level, float(x[0]), float(x[-1]))
    z, ys = (x - scale.centre_mhz) / scale.width_mhz, y / level
    second = None if dip.second is None else (dip.second - dip.centre) / dip.width
    candidates = fit_all(z, ys, Dip(0.0, 1.0, dip.depth / level, dip.snr, second))
    best = _lowest(candidates)
    noise = _noise(z, ys, best)
    n, one = len(z), candidates.single
    full = noise.variance * (n - best.size)

    def bic_of(fitted: Fitted) -> float:
        return bic(full + fitted.rss - best.rss, fitted.size, n, noise)

    flat = bic(full + candidates.flat_rss - best.rss, 3, n, noise)
    refusal = None
    # The best of many places looks better than it is: the search costs as well.
    price = THRESHOLD + 2.0 * float(np.log(searched / n))
    if one.p[2] <= 0 or flat - min(bic_of(one), bic_of(best)) <= price:
        refusal = NoFit("no_resonance", "")
    split = evidence.best_split(candidates, options.regime, noise, n)
    if split is not None:
        split = replace(split, delta_bic=bic_of(one) - bic_of(split.fitted))
    choice = split
    if options.model == "split" and split is None:
        refusal = NoFit("not_split", "No split resonance can be fitted here: the two modes fall together.")
    if (
        split is None
        or options.model == "single"
        or (options.model == "auto" and not _split_evident(split, candidates, bic_of))
    ):
        # Where no split fit came out, one more parameter would have gained nothing.
        delta = -float(np.log(noise.effective)) if split is None else split.delta_bic
        choice = Choice(one, None, options.regime or "under", line_shape_decides=False, delta_bic=delta)
    assert choice is not None  # noqa: S101
    chosen = noise if choice.fitted is best else _noise(z, ys, choice.fitted)
    return _Round(scale, x, choice, chosen, _residual(z, ys, choice.fitted), refusal)


def _split_evident(split: Choice, candidates: Candidates, bic_of: Callable[[Fitted], float]) -> bool:
    """Split by more than 10, and not better told as something else.

    Below one linewidth the pair with common widths must earn it by itself; two dips well apart must not be told
    better by two unrelated modes.
    """
    if split.delta_bic <= THRESHOLD or evidence.misfit(split.fitted) > _MISFIT:
        return False
    apart = 2.0 * evidence.half_splitting(split.fitted).real / float(split.fitted.p[1])
    if apart > 2.0:
        return bic_of(split.fitted) - bic_of(fit_pair(split.fitted)) <= THRESHOLD
    if apart > 1.0:
        return True
    common = [f for f in (candidates.under, candidates.over) if f is not None and evidence.acceptable(f)]
    return bool(common) and bic_of(candidates.single) - min(bic_of(f) for f in common) > THRESHOLD


def _lowest(candidates: Candidates) -> Fitted:
    c = candidates
    pairs = [f for f in (c.under, c.over, c.unequal_under, c.unequal_over) if f is not None]
    return min([c.single, *(f for f in pairs if evidence.acceptable(f))], key=lambda f: f.rss)


def _residual(z: FloatArray, y: FloatArray, fitted: Fitted) -> FloatArray:
    t, _ = fitted.shape.model(fitted.p, z)
    return np.asarray(y - t * (fitted.b @ baseline_terms(z, float(z[0]), float(z[-1]))))


def _noise(z: FloatArray, y: FloatArray, fitted: Fitted) -> Noise:
    per_width = len(z) * float(fitted.p[1]) / float(z[-1] - z[0])
    return evidence.noise_of(_residual(z, y, fitted), fitted.size, per_width, 1.0)


def _dip_of(done: _Round, dip: Dip) -> Dip:
    """The dip as the fit now has it, in MHz."""
    fitted, scale = done.choice.fitted, done.scale
    centre = scale.centre_mhz + scale.width_mhz * float(fitted.p[0])
    width = scale.width_mhz * float(fitted.p[1])
    if fitted.shape.size == 3:
        return Dip(centre, width, dip.depth, dip.snr, None)
    apart = scale.width_mhz * evidence.half_splitting(fitted).real
    if apart < 0.5 * width:
        return Dip(centre, width + 2.0 * apart, dip.depth, dip.snr, None)
    return Dip(centre - apart, width, dip.depth, dip.snr, centre + apart)


def _neighbours(done: _Round, before: Dip, walls: tuple[float, float]) -> tuple[Dip, tuple[float, float]]:
    """The dip as fitted, and the ends its window may reach: short of any other dip the residuals show.

    A dip between the two modes of a wide pair means that the pair is none: the deeper one is kept alone.
    """
    dip = _dip_of(done, before)
    modes = [dip.centre] if dip.second is None else [dip.centre, dip.second]
    clear = np.min([np.abs(done.x - mode) for mode in modes], axis=0) > _GUARD_WIDTHS * dip.width
    if clear.sum() < FEWEST_POINTS:
        return dip, walls
    noise = max(sample_noise(done.residual), 1e-9)
    depth = before.depth / done.scale.level
    for low, high in zip([-np.inf, *modes], [*modes, np.inf], strict=True):
        part = clear & (done.x > low) & (done.x < high)
        if part.sum() < FEWEST_POINTS:
            continue
        other = find_excursion(done.x[part], -done.residual[part], noise)
        if other is None or other.snr < _NEIGHBOUR_SNR or other.depth < _NEIGHBOUR_DEPTH * depth:
            continue
        if np.isfinite(low) and np.isfinite(high):
            main = min(modes, key=lambda mode: abs(mode - before.centre))
            dip = Dip(main, dip.width, dip.depth, dip.snr, None)
            low, high = (main, np.inf) if main < other.centre else (-np.inf, main)
        nearest = low if np.isfinite(low) else high
        side = 1.0 if other.centre > nearest else -1.0
        wall = other.centre - side * min(3.0 * other.width, 0.5 * abs(other.centre - nearest))
        walls = (walls[0], min(walls[1], wall)) if side > 0 else (max(walls[0], wall), walls[1])
    return dip, walls


def _refused(done: _Round, ends: tuple[float, float]) -> NoFit | None:
    """What was fitted but cannot be believed."""
    dip = _dip_of(done, Dip(0.0, 1.0, 0.0, 0.0, None))
    first, last = (dip.centre, dip.centre) if dip.second is None else (dip.centre, dip.second)
    half = 0.5 * dip.width
    if first - half < ends[0] or last + half > ends[1]:
        return NoFit("dip_at_edge", "The dip lies at the edge of the scan; it must show both sides at half depth.")
    fitted = done.choice.fitted
    width = done.scale.width_mhz * float(fitted.p[1])
    across = np.searchsorted(done.x, dip.centre + 0.5 * width) - np.searchsorted(done.x, dip.centre - 0.5 * width)
    if across < 2:
        return NoFit("too_narrow", "The dip is narrower than two samples: scan slower or over less.")
    if fitted.shape.size == 3:
        sigma = float(np.sqrt(covariance(fitted, done.noise.independent_variance)[2, 2]))
        if fitted.p[2] - 3.0 * sigma > 1.03:
            return NoFit("below_dark", _BELOW_DARK)
    return None
