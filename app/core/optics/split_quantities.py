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


def split_contrast(p: FloatArray) -> Pair:
    """1 - min T; by the envelope theorem its gradient is that of -T at the minimum."""
    values, gradients = np.empty(len(p)), np.empty_like(p)
    for i, row in enumerate(p):
        reach = abs(np.sqrt(complex(row[3], row[4])).real) + row[1]
        z = np.linspace(row[0] - reach, row[0] + reach, 161)
        t = split_transmission(row, z)
        at = int(np.clip(np.argmin(t), 1, len(z) - 2))
        down, curve = t[at - 1] - t[at + 1], t[at - 1] - 2 * t[at] + t[at + 1]
        shift = 0.5 * down / curve if curve > 0 else 0.0
        value, d = split(row, np.array([z[at] + np.clip(shift, -1, 1) * (z[1] - z[0])]))
        values[i], gradients[i] = 1.0 - value[0], -d[:, 0]
    return values, gradients
