"""The whole automatic analysis of one resonance in one scan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from app.core.optics import evidence
from app.core.optics.assemble import assemble
from app.core.optics.decide import Round, fit_window
from app.core.optics.fit import covariance
from app.core.optics.guess import Dip, find_dip, find_excursion, means, median, sample_noise
from app.core.optics.peak import as_peak, mirrored, turned_back
from app.core.optics.ramps import compared
from app.core.optics.results import Analysis, FitOptions, FloatArray, NoFit, Scan
from app.core.optics.ripple import Ripple, find_ripple, suspected

WINDOW_EXTENTS = 25.0
"""Half the window kept of a long scan, in extents (width + splitting) of the resonance."""
NEAR_EXTENTS = 6.0
"""The same where the background is no parabola over so much."""
WINDOW_SAMPLES = 150
"""And in samples, where the resonance is narrow."""
FEWEST_POINTS = 16
_ROUNDS = 8
_GUARD_WIDTHS = 3.0
_NEIGHBOUR_SNR, _NEIGHBOUR_DEPTH = 8.0, 0.1


def analyse(scan: Scan, options: FitOptions | None = None, dip: Dip | None = None) -> Analysis | NoFit:
    """Find the strongest resonance of a scan, fit it single and split, weigh the evidence, and state Q.

    The scan is cut to 25 extents of the resonance to each side, and before any other dip, unless the options say
    that it is to be used whole. `dip` says which resonance, where it was found before. Returns NoFit where no dip
    beats the baseline alone by a difference in BIC of 10, or where it cannot be fitted.
    """
    options = options or FitOptions()
    if options.shape == "peak":
        turned = mirrored(scan)
        one = analyse(turned, replace(options, shape="dip", dark=0.0))
        return as_peak(turned_back(one, float(turned.signal[0] + scan.signal[0]))) if isinstance(one, Analysis) else one
    x, y = scan.detuning_mhz, scan.signal - options.dark
    if len(x) < FEWEST_POINTS:
        return NoFit("too_few_points", f"{len(x)} samples are too few; a fit takes at least {FEWEST_POINTS}.")
    dip = dip or find_dip(x, y)
    if dip is None:
        return NoFit("no_resonance", no_dip_text(x, y))
    if dip.snr > 10 and dip.depth > 1.1 * dip.level:
        return NoFit("below_dark", _BELOW_DARK)
    done = _rounds(x, y, dip, options)
    if done is None:
        return NoFit("too_few_points", "Too few samples lie around the dip for a fit.")
    done, ripple, bias = _without_ripple(done, x, y, options)
    refusal = done.refusal or _refused(done, (float(x[0]), float(x[-1])))
    if refusal is not None:
        return replace(refusal, text=no_dip_text(x, y)) if refusal.code == "no_resonance" else refusal
    one = assemble(scan, options, done, ripple, bias)
    if not scan.others:
        return one
    again = [analyse(other, options) for other in scan.others]
    return compared(one, [a for a in again if isinstance(a, Analysis)])


def _rounds(x: FloatArray, y: FloatArray, dip: Dip, options: FitOptions) -> Round | None:
    """Fit, look what else is in the window, cut before it, fit again; nearer where the background is no parabola."""
    if options.whole:
        return fit_window(x, y, dip, options, len(x))
    done, found, walls = _settled(x, y, dip, options, WINDOW_EXTENTS, (float(x[0]), float(x[-1])))
    if done is not None and done.noise.reduced_chi2 > 1.5:
        near, _, _ = _settled(x, y, found, options, NEAR_EXTENTS, walls)
        like = near is not None and near.choice.fitted.split >= done.choice.fitted.split
        if near is not None and like and near.level_variance < 0.7 * done.level_variance:
            return near
    return done


def _settled(
    x: FloatArray, y: FloatArray, dip: Dip, options: FitOptions, extents: float, walls: tuple[float, float]
) -> tuple[Round | None, Dip, tuple[float, float]]:
    """Fit until the window no longer changes; the last fit, its dip, and where its window must end."""
    window = _window(x, dip, walls, extents)
    done: Round | None = None
    for _ in range(_ROUNDS):
        part = slice(*np.searchsorted(x, [window[0], np.nextafter(window[1], np.inf)]))
        if part.stop - part.start < FEWEST_POINTS:
            break
        done = fit_window(x[part], y[part], dip, options, len(x))
        dip, walls = _neighbours(done, dip, walls)
        wanted = _window(x, dip, walls, extents)
        if _same(x, window, wanted):
            break
        window = wanted
    return done, dip, walls


def _without_ripple(
    done: Round, x: FloatArray, y: FloatArray, options: FitOptions
) -> tuple[Round, Ripple | None, float]:
    """The fit again with the background's ripple taken out, where that leaves much less; the bias it had."""
    if not suspected(done):
        return done, None, 0.0
    part = slice(*np.searchsorted(x, [done.x[0], np.nextafter(done.x[-1], np.inf)]))
    ripple = find_ripple(done, y[part])
    if ripple is None or not 1e-4 < ripple.amplitude < 0.7:
        return done, None, 0.0
    again = y[part] / ripple.factor(x[part])
    dip = _dip_of(done, Dip(0.0, 1.0, float(done.choice.fitted.p[2]) * done.scale.level, 10.0, None))
    found = find_dip(x[part], again) or dip
    better = fit_window(x[part], again, found, options, len(x))
    if better.refusal is not None or better.level_variance > 0.8 * done.level_variance:
        return done, None, 0.0
    before, after = (r.scale.width_mhz * float(r.choice.fitted.p[1]) for r in (done, better))
    return better, ripple, 100.0 * (before / after - 1.0)


_BELOW_DARK = "The dip reaches below no light at all: give the detector's level without light."


def no_dip_text(x: FloatArray, y: FloatArray) -> str:
    """Why there is nothing to fit, with a word on a peak where there is one."""
    text = f"No resonance: no dip stands out of the noise in {len(x)} samples."
    mirrored = 2.0 * float(np.max(y)) - y
    peak = find_dip(x, mirrored)
    if peak is None or peak.snr < 8:
        return text
    if fit_window(x, mirrored, peak, FitOptions(model="single"), len(x)).refusal is None:
        text += " A peak does: reflection and drop-port peaks are fitted where asked for (--shape peak)."
    return text


def _extent(dip: Dip) -> float:
    return dip.width + (0.0 if dip.second is None else abs(dip.second - dip.centre))


def _middle(dip: Dip) -> float:
    return dip.centre if dip.second is None else 0.5 * (dip.centre + dip.second)


def _window(x: FloatArray, dip: Dip, walls: tuple[float, float], extents: float) -> tuple[float, float]:
    """So many extents to each side, and a fair number of samples, as far as the walls allow."""
    middle, reach = _middle(dip), extents * _extent(dip)
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


def _dip_of(done: Round, dip: Dip) -> Dip:
    """The dip as the fit now has it, in MHz."""
    fitted, scale = done.choice.fitted, done.scale
    centre = scale.centre_mhz + scale.width_mhz * float(fitted.p[0])
    width = scale.width_mhz * float(fitted.p[1])
    if not fitted.split:
        return replace(dip, centre=centre, width=width, second=None)
    apart = scale.width_mhz * evidence.half_splitting(fitted).real
    if apart < 0.5 * width:
        return replace(dip, centre=centre, width=width + 2.0 * apart, second=None)
    return replace(dip, centre=centre - apart, width=width, second=centre + apart)


def _neighbours(done: Round, before: Dip, walls: tuple[float, float]) -> tuple[Dip, tuple[float, float]]:
    """The dip as fitted, and the ends its window may reach: short of any other dip the residuals show.

    A dip between the two modes of a wide pair means that the pair is none: the deeper one is kept alone.
    """
    dip = _dip_of(done, before)
    modes = [dip.centre] if dip.second is None else [dip.centre, dip.second]
    # A sixteenth of a width is fine enough to see a neighbour that matters.
    per_width = len(done.x) * dip.width / float(done.x[-1] - done.x[0])
    length = min(max(int(per_width / 16.0), 1), max(len(done.x) // (4 * FEWEST_POINTS), 1))
    x, left = means(done.x, length), -means(done.residual, length)
    clear = np.abs(x - modes[0]) > _GUARD_WIDTHS * dip.width
    if dip.second is not None:
        clear &= np.abs(x - modes[1]) > _GUARD_WIDTHS * dip.width
    if np.count_nonzero(clear) < FEWEST_POINTS:
        return dip, walls
    noise = max(_wandering(left, per_width / length), 1e-9)
    depth = before.depth / done.scale.level
    least = max(_NEIGHBOUR_DEPTH * depth, _NEIGHBOUR_SNR * noise * (8.0 / len(left)) ** 0.5)
    if float(left[clear].max()) < least:
        return dip, walls
    for low, high in zip([-np.inf, *modes], [*modes, np.inf], strict=True):
        part = clear & (x > low) & (x < high)
        if part.sum() < FEWEST_POINTS:
            continue
        other = find_excursion(x[part], left[part], noise)
        if other is None or other.snr < _NEIGHBOUR_SNR or other.depth < _NEIGHBOUR_DEPTH * depth:
            continue
        if np.isfinite(low) and np.isfinite(high):
            main = min(modes, key=lambda mode: abs(mode - before.centre))
            dip = replace(dip, centre=main, second=None)
            low, high = (main, np.inf) if main < other.centre else (-np.inf, main)
        nearest = low if np.isfinite(low) else high
        side = 1.0 if other.centre > nearest else -1.0
        wall = other.centre - side * min(3.0 * other.width, 0.5 * abs(other.centre - nearest))
        walls = (walls[0], min(walls[1], wall)) if side > 0 else (max(walls[0], wall), walls[1])
    return dip, walls


def _wandering(left: FloatArray, per_width: float) -> float:
    """Noise per sample as if independent, from the median of block means: noise with memory makes dips of its own."""
    white = sample_noise(left)
    length = int(per_width / 4.0)
    if length < 2 or len(left) // length < 8:
        return white
    return max(white, 1.4826 * median(np.abs(means(left, length))) * float(np.sqrt(length)))


def _refused(done: Round, ends: tuple[float, float]) -> NoFit | None:
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
    if not fitted.split:
        sigma = float(np.sqrt(covariance(fitted, done.noise.independent_variance)[2, 2]))
        if fitted.p[2] - 3.0 * sigma > 1.03:
            return NoFit("below_dark", _BELOW_DARK)
    return None
