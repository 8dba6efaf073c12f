"""Where the dip is, from the data alone, in one pass: the scan averaged in pairs, again and again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from app.core.optics.results import FloatArray


@dataclass(frozen=True)
class Dip:
    """A dip found: centre, full width at half depth, depth and `snr`, its depth over the scatter at its width."""

    centre: float
    width: float
    depth: float
    snr: float
    second: float | None
    """Centre of a second dip beside it, with more light between the two."""
    level: float = 1.0
    """Rough baseline there."""
    noise: float = 0.0
    """Scatter of single samples."""


def sample_noise(y: FloatArray) -> float:
    """Standard deviation per sample from second differences, which slow signals and dips leave alone."""
    d = y[:-2] - 2.0 * y[1:-1] + y[2:]
    if len(d) > 4096:
        # Contiguous stretches: enough for a median, and the whole scan is still looked at.
        d = d[: len(d) // 16 * 16].reshape(16, -1)[:, :256].ravel()
    return median(np.abs(d)) / (0.674490 * np.sqrt(6.0))


def averaged(values: FloatArray) -> FloatArray:
    """Means of neighbours in pairs; an odd last value is dropped."""
    n = len(values) // 2 * 2
    return 0.5 * (values[0:n:2] + values[1:n:2])


def means(values: FloatArray, length: int) -> FloatArray:
    """Means of blocks of `length`; a shorter last block is dropped."""
    n = len(values) // length
    return values if length == 1 else np.asarray(values[: n * length].reshape(n, length).mean(axis=1))


def median(values: FloatArray) -> float:
    """The middle value (the upper of the two where there are two)."""
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])


def rough_baseline(z: FloatArray, y: FloatArray) -> FloatArray:
    """Coefficients of a parabola in u (-1 to 1 over the scan) along the top of the data, dips left out."""
    length = -(-len(y) // 200)
    z, y = means(z, length), means(y, length)
    u = (z - 0.5 * (z[0] + z[-1])) * (2.0 / (z[-1] - z[0]))
    terms = np.stack([np.ones_like(u), u, u * u])
    weight = np.ones_like(y)
    b = np.zeros(3)
    ridge, least = 1e-13 * np.eye(3), 1e-12 * float(y.max() - y.min())
    for _ in range(8):
        scaled = terms * weight
        gram = scaled @ terms.T
        b = np.linalg.solve(gram + ridge * (gram[0, 0] + gram[1, 1] + gram[2, 2]), scaled @ y)
        r = y - b @ terms
        above = np.maximum(r, 0.0)
        spread = float(np.sqrt(float(above @ above) / max(int(np.count_nonzero(above)), 1)))
        # Light is taken out, never put in: what lies below the curve says little about it.
        new = np.where(r > -1.5 * max(spread, least), 1.0, 1e-3)
        if np.count_nonzero(new != weight) <= 2:
            break
        weight = new
    return b


def find_dip(z: FloatArray, y: FloatArray) -> Dip | None:
    """The most significant dip of y (n,) at rising z (n,), or None where nothing is below the baseline."""
    b = rough_baseline(z, y)
    middle, half = 0.5 * float(z[0] + z[-1]), 0.5 * float(z[-1] - z[0])
    u = (z - middle) * (1.0 / half)
    noise = max(sample_noise(y), 1e-9 * float(np.ptp(y)))
    dip = find_excursion(z, b[0] + u * (b[1] + u * b[2]) - y, noise)
    if dip is None:
        return None
    at = (dip.centre - middle) / half
    return replace(dip, level=abs(float(b[0] + at * (b[1] + at * b[2]))), noise=noise)


def find_excursion(z: FloatArray, height: FloatArray, noise: float) -> Dip | None:
    """The most significant positive excursion of `height` (n,), tried at every width of 2^k samples."""
    levels: list[FloatArray] = []
    tops: list[tuple[float, int, int]] = []
    h = height
    while len(h) >= 8:
        k = len(levels)
        i = int(h.argmax())
        tops.append((float(h[i]) / (noise / 2.0 ** (0.5 * k)), k, i))
        levels.append(h)
        h = averaged(h)
    best: tuple[float, int, int] | None = None
    for most, k, i in sorted(tops, reverse=True):
        if best is not None and most <= best[0]:
            break
        snr, h = most, levels[k]
        if len(h) >= 32:
            # Ripple and drift count as scatter too; the dip itself fills less than half of the scan.
            scatter = 1.4826 * median(np.abs(h if len(h) < 4096 else h[:: len(h) // 2048]))
            snr = min(snr, float(h[i]) / max(scatter, 1e-300))
        if best is None or snr > best[0]:
            best = (snr, k, i)
    if best is None or best[0] <= 0:
        return None
    snr, k, i = best
    fine = max(k - 2, 0)
    return _measure(means(z, 1 << fine), levels[fine], i << (k - fine), 1 << (k - fine), snr)


def _measure(x: FloatArray, h: FloatArray, first: int, count: int, snr: float) -> Dip | None:
    window = h[max(first - count, 0) : first + 2 * count]
    if not len(window):
        return None
    top = max(first - count, 0) + int(np.argmax(window))
    peak = float(h[top])
    if peak <= 0:
        return None
    below = h < 0.5 * peak
    left = _last_before(below, top)
    right = _first_after(below, top)
    width = float(x[right] - x[left]) - 0.5 * float(x[min(left + 1, len(x) - 1)] - x[left] + x[right] - x[right - 1])
    width = max(width, float(x[min(top + 1, len(x) - 1)] - x[max(top - 1, 0)]) * 0.5)
    second = _second(x, h, left, right, peak)
    return Dip(float(0.5 * (x[left] + x[right])), width, peak, snr, second)


def _last_before(below: np.ndarray, top: int) -> int:
    hits = np.flatnonzero(below[:top])
    return int(hits[-1]) if len(hits) else 0


def _first_after(below: np.ndarray, top: int) -> int:
    hits = np.flatnonzero(below[top + 1 :])
    return top + 1 + int(hits[0]) if len(hits) else len(below) - 1


def _second(x: FloatArray, h: FloatArray, left: int, right: int, peak: float) -> float | None:
    """Centre of the highest other excursion of at least a third of the peak."""
    masked = h.copy()
    # Beyond 1.1 widths from its centre a Lorentz dip is below a third of its depth by itself.
    skirt = int(0.6 * (right - left)) + 1
    masked[max(left - skirt, 0) : right + skirt + 1] = -np.inf
    i = int(np.argmax(masked))
    if not np.isfinite(masked[i]) or masked[i] < peak / 3.0:
        return None
    below = h < 0.5 * h[i]
    return float(0.5 * (x[_last_before(below, i)] + x[_first_after(below, i)]))
