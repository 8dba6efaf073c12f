"""Transmission of a taper past a resonance, with derivatives, and the stored curve drawn again.

Single (A2 of Gorodetsky & Ilchenko, JOSA B 16, 147 (1999)):  T = 1 - C / (1 + u^2), u = 2 (z - z0)/w.
Split (coupled modes, Weiss et al., Opt. Lett. 20, 1835 (1995)):
    chi = w/2 + i (z - z0),  t = 1 - k chi / (chi^2 + G),  T = |t|^2,  k = eta w,  G = g^2.
A complex g = g_r - i g_i gives the two standing waves unequal widths w + 2 g_i (lower) and w - 2 g_i (upper)
at z0 - g_r and z0 + g_r; t = 1 - (k/2) [1/(chi + i g) + 1/(chi - i g)] is the same thing.
All widths are full widths at half maximum in the unit of z.
"""

from __future__ import annotations

import numpy as np

from app.core.optics.results import FloatArray, StoredShape

SHAPE_VERSION = 1
SINGLE_NAMES = ("centre_mhz", "linewidth_mhz", "contrast")
SPLIT_NAMES = ("centre_mhz", "linewidth_mhz", "coupled_share", "g2_real_mhz2", "g2_imag_mhz2")
BASELINE_NAMES = ("level", "slope", "curvature")


def single(p: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """T (..., n) and dT/dp (..., 3, n) of a Lorentz dip for p = (centre, width, contrast) (..., 3), z (n,)."""
    z0, w, c = p[..., 0, None], p[..., 1, None], p[..., 2, None]
    u = (z - z0) * (2.0 / w)
    lorentz = 1.0 / (1.0 + u * u)
    slope = (2.0 * c / w) * u * lorentz * lorentz
    d = np.empty((*u.shape[:-1], 3, u.shape[-1]))
    np.multiply(slope, -2.0, out=d[..., 0, :])
    np.multiply(slope, -u, out=d[..., 1, :])
    np.negative(lorentz, out=d[..., 2, :])
    return 1.0 - c * lorentz, d


def split(p: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """T (..., n) and dT/dp (..., 5, n) of a split dip, p = (centre, width, eta, Re g^2, Im g^2) (..., 5)."""
    z0, w, eta, g_re, g_im = (p[..., i, None] for i in range(5))
    k = eta * w
    chi = 0.5 * w + 1j * (z - z0)
    inverse = 1.0 / (chi * chi + (g_re + 1j * g_im))
    a = chi * inverse
    t = 1.0 - k * a
    # d(chi/D)/d(chi) = 1/D - 2 chi^2/D^2
    da = inverse - 2.0 * a * a
    tc = 2.0 * np.conj(t)
    by_chi = tc * da
    by_g = tc * a * inverse
    by_k = -(tc * a).real
    d = np.empty((*a.shape[:-1], 5, a.shape[-1]))
    np.multiply(by_chi.imag, -k, out=d[..., 0, :])
    np.add(-0.5 * k * by_chi.real, eta * by_k, out=d[..., 1, :])
    np.multiply(by_k, w, out=d[..., 2, :])
    np.multiply(by_g.real, k, out=d[..., 3, :])
    np.multiply(by_g.imag, -k, out=d[..., 4, :])
    return (t * np.conj(t)).real, d


def fano(p: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """T (..., n) and dT/dp (..., 4, n) of a dip beside other light, p = (centre, width, C, F) (..., 4)."""
    z0, w, c, f = (p[..., i, None] for i in range(4))
    x = (z - z0) * (2.0 / w)
    lorentz = 1.0 / (1.0 + x * x)
    part = (c + f * x) * lorentz
    by_x = (2.0 * x * part - f) * lorentz
    return 1.0 - part, np.stack([by_x * (-2.0 / w), by_x * (-x / w), -lorentz, -x * lorentz], axis=-2)


def skew(p: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """T (..., n) and dT/dp (..., 4, n) of a dip that heats itself, p = (centre, width, C, B) (..., 4), |B| < 1.54."""
    z0, w, c, heat = (p[..., i, None] for i in range(4))
    x = (z - z0) * (2.0 / w)
    # y + B/(1 + y^2) = x is y^3 - x y^2 + y + B - x = 0, which has one real root here; Newton takes off rounding.
    a, b = x * x / 9.0 - 1.0 / 3.0, x * x * x / 27.0 + x / 3.0 - 0.5 * heat
    root = np.sqrt(np.maximum(b * b - a * a * a, 0.0))
    y = x / 3.0 + np.cbrt(b + root) + np.cbrt(b - root)
    for _ in range(2):
        lorentz = 1.0 / (1.0 + y * y)
        y = y - (y + heat * lorentz - x) / np.maximum(1.0 - 2.0 * heat * y * lorentz * lorentz, 1e-3)
    lorentz = 1.0 / (1.0 + y * y)
    stretch = 1.0 / np.maximum(1.0 - 2.0 * heat * y * lorentz * lorentz, 1e-3)
    by_x = 2.0 * c * y * lorentz * lorentz * stretch
    return 1.0 - c * lorentz, np.stack([by_x * (-2.0 / w), by_x * (-x / w), -lorentz, -by_x * lorentz], axis=-2)


_NODES, _WEIGHTS = np.polynomial.laguerre.laggauss(16)


def lag(p: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """T (..., n) and dT/dp (..., 4, n) of a dip behind a slow detector, p = (centre, width, C, a) (..., 4).

    The centre is that of the lagging dip, a half widths late: without that a small lag is nothing but a shift.
    The integral over e^-t by Gauss and Laguerre's 16 nodes, good to 1e-5 for a up to a half width.
    """
    z0, w, c, a = (p[..., i, None] for i in range(4))
    x = (z - z0) * (2.0 / w)
    smeared, by_x, by_a = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
    for node, weight in zip(_NODES.tolist(), _WEIGHTS.tolist(), strict=True):
        if weight < 1e-12:
            continue
        y = x - a * (node - 1.0)
        lorentz = 1.0 / (1.0 + y * y)
        slope = -2.0 * weight * y * lorentz * lorentz
        smeared += weight * lorentz
        by_x += slope
        by_a -= (node - 1.0) * slope
    d = np.stack([c * by_x * (2.0 / w), c * by_x * (x / w), -smeared, -c * by_a], axis=-2)
    return 1.0 - c * smeared, d


_ODD = {"fano": fano, "skew": skew, "lag": lag}


def transmission_of(kind: str, p: FloatArray, z: FloatArray) -> FloatArray:
    """T (n,) alone of the shape `kind` (single, split, fano, skew, lag) with its own parameters."""
    if kind in _ODD:
        return _ODD[kind](p, z)[0]
    return single_transmission(p, z) if kind == "single" else split_transmission(p, z)


def single_transmission(p: FloatArray, z: FloatArray) -> FloatArray:
    """T alone of a Lorentz dip; same arguments as `single`."""
    u = (z - p[..., 0, None]) * (2.0 / p[..., 1, None])
    return np.asarray(1.0 - p[..., 2, None] / (1.0 + u * u))


def pair(p: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two resonances that have nothing to do with one another: T = T_1 T_2, p = both of `single` (..., 6)."""
    t1, d1 = single(p[..., :3], z)
    t2, d2 = single(p[..., 3:], z)
    return t1 * t2, np.concatenate([d1 * t2[..., None, :], d2 * t1[..., None, :]], axis=-2)


def split_transmission(p: FloatArray, z: FloatArray) -> FloatArray:
    """T alone of a split dip; same arguments as `split`."""
    z0, w, eta, g_re, g_im = (p[..., i, None] for i in range(5))
    # |1 - k chi/D|^2 = 1 + (a d^2 + b d + c)/|D|^2 with D = (q - d^2) + i (w d + Im g^2): in real numbers and few
    # steps, because this runs over every sample of long scans.
    d = z - z0
    k, q = eta * w, 0.25 * w * w + g_re
    square = d * d
    bottom = square + (w * w - 2.0 * q)
    bottom *= square
    bottom += q * q + g_im * g_im
    square *= k * (k - w)
    if g_im.any():
        d *= 2.0 * g_im
        square -= k * d
        bottom += w * d
    square += k * w * (0.25 * k * w - q)
    square /= bottom
    square += 1.0
    return np.asarray(square)


def transmission(stored: StoredShape, detuning_mhz: FloatArray) -> FloatArray:
    """Fitted transmission (n,) as a fraction of the baseline at `detuning_mhz` (n,)."""
    z = np.asarray(detuning_mhz, dtype=float)
    if stored.shape == "split":
        return split_transmission(np.array(stored.parameters[:5]), z)
    for kind in _ODD:
        if kind in stored.constants:
            return transmission_of(kind, np.array([*stored.parameters[:3], stored.constants[kind]]), z)
    return single_transmission(np.array(stored.parameters[:3]), z)


def baseline(stored: StoredShape, detuning_mhz: FloatArray) -> FloatArray:
    """Fitted signal without the resonance (n,), in the unit of the signal, dark level left out."""
    u = (np.asarray(detuning_mhz, dtype=float) - stored.constants["middle_mhz"]) / stored.constants["half_mhz"]
    level, slope, curvature = stored.parameters[-3:]
    light = np.asarray(level + u * (slope + u * curvature))
    if "ripple_period_mhz" in stored.constants:
        r = stored.constants
        phase = (np.asarray(detuning_mhz) - r["ripple_middle_mhz"]) * (2.0 * np.pi / r["ripple_period_mhz"])
        light = light * (1.0 + r["ripple_cosine"] * np.cos(phase) + r["ripple_sine"] * np.sin(phase))
    return stored.constants["turn"] - light if "turn" in stored.constants else light


def curve(stored: StoredShape, detuning_mhz: FloatArray) -> FloatArray:
    """The fitted curve (n,) in the unit of the signal: dark + baseline x transmission; `turn` less that for a peak."""
    if "turn" in stored.constants:
        turn = stored.constants["turn"]
        return turn - (turn - baseline(stored, detuning_mhz)) * transmission(stored, detuning_mhz)
    return stored.constants["dark"] + baseline(stored, detuning_mhz) * transmission(stored, detuning_mhz)
