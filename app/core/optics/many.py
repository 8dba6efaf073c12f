"""Every resonance of a long scan: found on a running baseline, windowed apart, each fitted by itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from app.core.optics.analyse import analyse
from app.core.optics.guess import Dip, means, sample_noise
from app.core.optics.peak import as_peak, mirrored, turned_back
from app.core.optics.results import Analysis, Check, FitOptions, FloatArray, NoFit, Scan

MOST = 400
_BLOCKS = 160
_LEAST_SNR = 7.0
_SHARE = 0.05
"""Depth below which a dip is left alone, as a share of the deepest found."""
_OVERLAP_WIDTHS = 3.0
_GUARD = 0.5
_PAIR_WIDTHS = 12.0
_LEVELS = 14
_REACH = 256
"""Means looked at around a dip: a wider one is found among longer means."""


@dataclass(frozen=True)
class _Found:
    centre: float
    width: float
    depth: float
    snr: float
    second: float | None = None


def analyse_all(scan: Scan, options: FitOptions | None = None) -> list[Analysis] | NoFit:
    """Every resonance of `scan`, by rising optical frequency; NoFit where there is none.

    Each is fitted in a window that ends half way to its neighbours; those within three widths of another carry the
    check `crossing_modes` as found.
    """
    options = options or FitOptions()
    if options.shape == "peak":
        turned = mirrored(scan)
        fits_ = analyse_all(turned, replace(options, shape="dip", dark=0.0))
        turn = float(turned.signal[0] + scan.signal[0])
        return fits_ if isinstance(fits_, NoFit) else [as_peak(turned_back(one, turn)) for one in fits_]
    y = scan.signal - options.dark
    base = running_baseline(scan.detuning_mhz, y)
    found = find_all(scan.detuning_mhz, y, base)
    fits: list[Analysis] = []
    for group in _grouped(found) if options.model != "single" else [[dip] for dip in found]:
        pair = _fit_group(scan, options, group, found, base) if len(group) == 2 else None
        if pair is not None and pair.model == "split":
            fits.append(pair)
            continue
        alone = [_fit_group(scan, options, [dip], found, base) for dip in group]
        fits += [one for one in alone if one is not None]
    if not fits:
        return analyse_none(scan, options)
    return _flagged(sorted(_once(fits), key=_centre))


def _fit_group(
    scan: Scan, options: FitOptions, group: list[_Found], found: list[_Found], base: FloatArray
) -> Analysis | None:
    """One dip, or two taken as a pair, in a window that ends half way to the others."""
    x, main = scan.detuning_mhz, max(group, key=lambda f: f.depth)
    first, last = group[0].centre, group[-1].centre
    low = max((0.5 * (f.centre + first) for f in found if f.centre < first), default=-np.inf)
    high = min((0.5 * (f.centre + last) for f in found if f.centre > last), default=np.inf)
    reach = 40.0 * main.width
    ends = np.searchsorted(x, [max(low, first - reach), min(high, last + reach)])
    part = slice(int(ends[0]), int(ends[1]))
    if part.stop - part.start < 16:
        return None
    y = scan.signal[part]
    level = float(base[min(int(np.searchsorted(x, main.centre)), len(base) - 1)])
    second = group[0] if group[0] is not main else group[-1]
    other = main.second if second is main else second.centre
    noise = max(sample_noise(y), 1e-9 * float(np.ptp(y)))
    dip = Dip(main.centre, main.width, main.depth * level, main.snr, other, level, noise)
    one = analyse(replace(scan, detuning_mhz=x[part], signal=y, others=()), options, dip)
    return one if isinstance(one, Analysis) else None


def _grouped(found: list[_Found]) -> list[list[_Found]]:
    """Dips in order, two by two where they stand much nearer to one another than to any other, and are alike."""
    out: list[list[_Found]] = []
    i = 0
    while i < len(found):
        pair = found[i : i + 2]
        if len(pair) == 2 and _like_a_pair(found, i):
            out.append(pair)
            i += 2
        else:
            out.append([found[i]])
            i += 1
    return out


def _like_a_pair(found: list[_Found], i: int) -> bool:
    a, b = found[i], found[i + 1]
    gap = b.centre - a.centre
    before = a.centre - found[i - 1].centre if i else np.inf
    after = found[i + 2].centre - b.centre if i + 2 < len(found) else np.inf
    alike = min(a.depth, b.depth) > max(a.depth, b.depth) / 3.0
    return bool(alike and gap < _PAIR_WIDTHS * min(a.width, b.width) and gap < 0.3 * min(before, after))


def analyse_none(scan: Scan, options: FitOptions) -> list[Analysis] | NoFit:
    """What a single analysis makes of a scan in which nothing was found."""
    one = analyse(scan, options)
    return [one] if isinstance(one, Analysis) else one


def running_baseline(x: FloatArray, y: FloatArray, blocks: int = _BLOCKS) -> FloatArray:
    """Light without resonances along x (n,): the upper part of each block of samples, joined and smoothed."""
    n = len(x)
    length = max(n // blocks, 8)
    count = n // length
    tall = y[: count * length].reshape(count, length)
    level = np.partition(tall, int(0.8 * length), axis=1)[:, int(0.8 * length)]
    at = x[: count * length].reshape(count, length).mean(axis=1)
    # A dip wider than a block pulls its level down; the median over some blocks does not follow it.
    span = min(9, count | 1)
    padded = np.pad(level, span // 2, mode="edge")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, span), axis=1)[:count]
    return np.asarray(np.interp(x, at, np.maximum(smooth, level)))


def find_all(x: FloatArray, y: FloatArray, base: FloatArray) -> list[_Found]:
    """Dips of y (n,) along rising x (n,) below the running baseline, by rising x."""
    floor = 1e-3 * float(np.median(np.abs(base))) + 1e-300
    height = 1.0 - y / np.maximum(base, floor)
    noise = max(sample_noise(height), 1e-9)
    deepest = float(np.percentile(height, 99.9))
    places = [place for k in range(_LEVELS) for place in _places(x, height, noise, k)]
    found: list[_Found] = []
    for snr, dip in sorted(places, key=lambda place: -place[0]):
        if snr < _LEAST_SNR or dip.depth < _SHARE * deepest:
            continue
        if any(_inside(other, dip) for _, other in places):
            continue
        if all(abs(dip.centre - f.centre) > 0.7 * max(dip.width, f.width) for f in found):
            found.append(dip)
    return sorted(_merged(found), key=lambda f: f.centre)[:MOST]


def _inside(other: _Found, dip: _Found) -> bool:
    """Whether `dip` is several run together, of which `other` is one: narrower, deeper, and as sure."""
    near = abs(other.centre - dip.centre) < dip.width
    return near and other.width < 0.6 * dip.width and other.depth > 1.4 * dip.depth and other.snr > 0.5 * dip.snr


def _places(x: FloatArray, height: FloatArray, noise: float, k: int) -> list[tuple[float, _Found]]:
    """Dips that stand out from both their sides in means of 2^k samples, each with its significance."""
    from scipy.signal import find_peaks

    h = means(height, 1 << k)
    if len(h) < 32:
        return []
    sigma = noise / 2.0 ** (0.5 * k)
    at, seen = find_peaks(h, prominence=_LEAST_SNR * sigma, width=0, rel_height=0.5, wlen=_REACH)
    step = float(x[-1] - x[0]) / len(h)
    where = means(x, 1 << k)
    return [
        (float(tall / sigma), _Found(float(where[i]), float(max(wide, 1.0) * step), float(tall), float(tall / sigma)))
        for i, tall, wide in zip(at, seen["prominences"], seen["widths"], strict=True)
        if wide < _REACH / 4
    ]


def _merged(found: list[_Found]) -> list[_Found]:
    """Two halves of a split dip, or a dip and its own skirt, are one place to look at."""
    out: list[_Found] = []
    for dip in sorted(found, key=lambda f: -f.depth):
        near = [i for i, f in enumerate(out) if abs(f.centre - dip.centre) < 1.2 * max(f.width, dip.width)]
        if not near:
            out.append(dip)
        elif out[near[0]].second is None and dip.depth > out[near[0]].depth / 3.0:
            out[near[0]] = replace(out[near[0]], second=dip.centre)
    return out


def _centre(one: Analysis) -> float:
    stored = one.stored.parameters[0]
    return stored + 1e6 * one.stored.reference_thz


def _once(fits: list[Analysis]) -> list[Analysis]:
    """Each resonance once, though two windows may have led to it."""
    kept: list[Analysis] = []
    for one in fits:
        width = one.modes[0].linewidth_mhz.value
        if all(abs(_centre(one) - _centre(k)) > _GUARD * max(width, k.modes[0].linewidth_mhz.value) for k in kept):
            kept.append(one)
    return kept


def _flagged(fits: list[Analysis]) -> list[Analysis]:
    out = []
    for i, one in enumerate(fits):
        near = [fits[j] for j in (i - 1, i + 1) if 0 <= j < len(fits)]
        width = max(m.linewidth_mhz.value for m in one.modes)
        closest = min((abs(_centre(other) - _centre(one)) / width for other in near), default=np.inf)
        if closest > _OVERLAP_WIDTHS:
            out.append(one)
            continue
        text = f"Another resonance lies {closest:.1f} linewidths away and overlaps this one."
        checks = tuple(Check(c.code, "found", None, text) if c.code == "crossing_modes" else c for c in one.checks)
        out.append(replace(one, checks=checks))
    return out
