"""Quantities of a fitted split dip as functions of its parameters, with gradients for the profile."""

from __future__ import annotations

import numpy as np

from app.core.optics.lineshapes import split, split_transmission
from app.core.optics.profile import Quantity
from app.core.optics.results import FloatArray

Pair = tuple[FloatArray, FloatArray]


def linear(*weights: float) -> Quantity:
    """sum of weights x parameters."""
    row = np.array(weights)

    def quantity(p: FloatArray) -> Pair:
        return p @ row, np.broadcast_to(row, p.shape).copy()

    return quantity


def backscatter(p: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """g_r, g_i (K,) of g = g_r - i g_i and their derivatives (K, 2) by Re g^2 and Im g^2."""
    g = np.sqrt(p[:, 3] + 1j * p[:, 4])
    half = 0.5 / np.where(np.abs(g) < 1e-9, 1e-9, g)
    return g.real, -g.imag, np.stack([half.real, -half.imag], 1), np.stack([-half.imag, -half.real], 1)


def split_detuning(side: int) -> Quantity:
    """z0 + side x g_r."""

    def quantity(p: FloatArray) -> Pair:
        g_r, _, by_r, _ = backscatter(p)
        gradient = np.zeros_like(p)
        gradient[:, 0] = 1.0
        gradient[:, 3:5] = side * by_r
        return p[:, 0] + side * g_r, gradient

    return quantity


def split_width(side: int, intrinsic: bool) -> Quantity:
    """w - 2 side g_i, the loaded width of the lower (-1) or upper (+1) mode; intrinsic: less the coupling eta w."""

    def quantity(p: FloatArray) -> Pair:
        _, g_i, _, by_i = backscatter(p)
        share = p[:, 2] if intrinsic else np.zeros(len(p))
        gradient = np.zeros_like(p)
        gradient[:, 1] = 1.0 - share
        if intrinsic:
            gradient[:, 2] = -p[:, 1]
        gradient[:, 3:5] = -2.0 * side * by_i
        return p[:, 1] * (1.0 - share) - 2.0 * side * g_i, gradient

    return quantity


def splitting(p: FloatArray) -> Pair:
    """2 g_r."""
    g_r, _, by_r, _ = backscatter(p)
    gradient = np.zeros_like(p)
    gradient[:, 3:5] = 2.0 * by_r
    return 2.0 * g_r, gradient


def coupling(p: FloatArray) -> Pair:
    """eta w."""
    gradient = np.zeros_like(p)
    gradient[:, 1], gradient[:, 2] = p[:, 2], p[:, 1]
    return p[:, 1] * p[:, 2], gradient


def mean_intrinsic(p: FloatArray) -> Pair:
    """(1 - eta) w."""
    gradient = np.zeros_like(p)
    gradient[:, 1], gradient[:, 2] = 1.0 - p[:, 2], -p[:, 1]
    return p[:, 1] * (1.0 - p[:, 2]), gradient


def split_contrast(side: int) -> Quantity:
    """1 - T in the minimum on the lower (-1) or upper (+1) mode's side of the centre.

    By the envelope theorem its gradient is that of -T at the minimum. The two sides are kept apart because the
    lower of two nearly equal minima jumps from one to the other.
    """

    def quantity(p: FloatArray) -> Pair:
        t, d = split(p, _minimum(p, side)[:, None])
        return 1.0 - t[:, 0], -d[:, :, 0]

    return quantity


def _minimum(p: FloatArray, side: int) -> FloatArray:
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
