"""Simulated scans for the tests, and two integrations of the coupled-mode equations that share no code with Marver."""

from __future__ import annotations

import numpy as np

from app.core.optics.results import Axis, Scan

NU_MHZ = 193.414489e6
"""Optical frequency of 1550 nm."""


def amplitudes(k0: float, kex: float, g: complex, detuning: float) -> tuple[complex, complex]:
    """Steady state (a_cw, a_ccw) from the 2 x 2 matrix of the equations of motion, for unit input.

    da_cw/dt = -(k/2 + i D) a_cw + i g a_ccw + sqrt(kex),  da_ccw/dt = -(k/2 + i D) a_ccw + i g a_cw.
    """
    k = k0 + kex
    matrix = np.array([[k / 2 + 1j * detuning, -1j * g], [-1j * g, k / 2 + 1j * detuning]])
    a = np.linalg.solve(matrix, np.array([np.sqrt(kex), 0.0]))
    return complex(a[0]), complex(a[1])


def transmission_by_matrix(k0: float, kex: float, g: complex, detuning: float) -> float:
    """|1 - sqrt(kex) a_cw|^2 from the steady state."""
    return abs(1 - np.sqrt(kex) * amplitudes(k0, kex, g, detuning)[0]) ** 2


def transmission_in_time(k0: float, kex: float, g: complex, detuning: float) -> float:
    """The same from letting the equations of motion run until they are still."""
    from scipy.integrate import solve_ivp

    k = k0 + kex

    def motion(_: float, a: np.ndarray) -> list[complex]:
        return [
            -(k / 2 + 1j * detuning) * a[0] + 1j * g * a[1] + np.sqrt(kex),
            -(k / 2 + 1j * detuning) * a[1] + 1j * g * a[0],
        ]

    slowest = k / 2 - abs(complex(g).imag)
    end = solve_ivp(motion, (0, 25 / slowest), [0j, 0j], rtol=1e-10, atol=1e-12, method="DOP853").y[:, -1]
    return abs(1 - np.sqrt(kex) * end[0]) ** 2


def coupled_modes(detuning: np.ndarray, k0: float, kex: float, g: complex) -> np.ndarray:
    """Transmission over many detunings by the closed inverse of the 2 x 2 matrix."""
    d = (k0 + kex) / 2 + 1j * detuning
    return np.abs(1 - kex * d / (d * d + g * g)) ** 2


def scan(
    rng: np.random.Generator,
    *,
    k0: float = 4.0,
    kex: float = 1.0,
    g: complex = 0.0,
    centre: float = 0.0,
    noise: float = 0.01,
    points: int = 1000,
    widths: float = 12.0,
    slope: float = 0.05,
    curvature: float = 0.03,
    memory: float = 0.0,
    rel_sigma: float | None = 0.0,
) -> Scan:
    """A scan in MHz with a tilted and bent baseline of 2.5 V; `memory` is the AR(1) coefficient of the noise."""
    half = 0.5 * widths * (k0 + kex)
    z = np.linspace(-half, half, points)
    e = rng.normal(size=points + 200)
    if memory:
        for i in range(1, len(e)):
            e[i] = memory * e[i - 1] + np.sqrt(1 - memory**2) * e[i]
    u = z / half
    # g = g_r - i g_i makes the lower mode the wider one.
    t = coupled_modes(z - centre, k0, kex, g)
    signal = 2.5 * ((1 + slope * u + curvature * u * u) * t + noise * e[200:])
    return Scan(z, signal, Axis("detuning", "MHz", absolute=False, reference_thz=NU_MHZ * 1e-6, rel_sigma=rel_sigma))
