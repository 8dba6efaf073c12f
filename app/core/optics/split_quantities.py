"""Quantities of a fitted split dip as functions of its parameters, with gradients for the profile."""

from __future__ import annotations

import numpy as np

from app.core.optics.lineshapes import split, split_transmission
from app.core.optics.results import FloatArray

# Weights on (z0, w, coupling, g_r, g_i), `side` -1 for the lower and +1 for the upper mode.
SPLITTING = (0.0, 0.0, 0.0, 2.0, 0.0)
COUPLING = (0.0, 0.0, 1.0, 0.0, 0.0)
MEAN_INTRINSIC = (0.0, 1.0, -1.0, 0.0, 0.0)


def detuning(side: int) -> tuple[float, ...]:
    """z0 + side x g_r."""
    return (1.0, 0.0, 0.0, side, 0.0)


def width(side: int) -> tuple[float, ...]:
    """w - 2 side g_i, the loaded width of one mode."""
    return (0.0, 1.0, 0.0, 0.0, -2.0 * side)


def intrinsic(side: int) -> tuple[float, ...]:
    """The same less the coupling."""
    return (0.0, 1.0, -1.0, 0.0, -2.0 * side)


def derived(p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(z0, w, coupling = eta w, g_r, g_i) (K, 5) of g = g_r - i g_i, and their derivatives (K, 5, 5)."""
    g = np.sqrt(p[:, 3] + 1j * p[:, 4])
    half = 0.5 / np.where(np.abs(g) < 1e-9, 1e-9, g)
    out = p.copy()
    out[:, 2] *= p[:, 1]
    out[:, 3], out[:, 4] = g.real, -g.imag
    slopes = np.zeros((len(p), 5, 5))
    slopes[:, 0, 0] = slopes[:, 1, 1] = 1.0
    slopes[:, 2, 1], slopes[:, 2, 2] = p[:, 2], p[:, 1]
    slopes[:, 3, 3], slopes[:, 3, 4] = half.real, -half.imag
    slopes[:, 4, 3], slopes[:, 4, 4] = -half.imag, -half.real
    return out, slopes


def contrasts(p: FloatArray, sides: FloatArray) -> tuple[FloatArray, FloatArray]:
    """1 - T (k,) and gradients (k, P) in the minima on the `sides` (k,), -1 lower, +1 upper mode, for p (P,).

    By the envelope theorem the gradient is that of -T at the minimum. The two sides are kept apart because the
    lower of two nearly equal minima jumps from one to the other.
    """
    rows = np.repeat(p[None], len(sides), axis=0)
    t, d = split(rows, _minima(rows, sides)[:, None])
    return 1.0 - t[:, 0], -d[:, :, 0]


def _minima(p: FloatArray, side: FloatArray) -> FloatArray:
    """Positions (K,) of the minimum of T on one side of the centre, by a grid and a parabola."""
    g = np.sqrt(p[:, 3] + 1j * p[:, 4])
    reach = g.real + 1.2 * (p[:, 1] + 2.0 * np.abs(g.imag))
    # The grid spans a few widths at most: wide pairs are looked at around their mode alone.
    near, far = p[:, 0] - 0.1 * side * p[:, 1], p[:, 0] + side * reach
    start = np.where(g.real > 2.5 * p[:, 1], p[:, 0] + side * (g.real - 1.2 * p[:, 1]), near)
    z = start[:, None] + (far - start)[:, None] * np.linspace(0.0, 1.0, 61)
    t = split_transmission(p, z)
    rows = np.arange(len(p))
    at = np.clip(np.argmin(t, axis=1), 1, z.shape[1] - 2)
    before, here, after = (t[rows, at + i] for i in (-1, 0, 1))
    bend = before - 2.0 * here + after
    shift = np.where(bend > 0, 0.5 * (before - after) / np.where(bend > 0, bend, 1.0), 0.0)
    return np.asarray(z[rows, at] + np.clip(shift, -1.0, 1.0) * (z[:, 1] - z[:, 0]))
