"""Scan files of the invented lab: the coupled-mode equations, a tilted baseline, noise, an instrument's own text.

Written apart from `app.core.optics`, so that what Marver reads and fits here was not made by its own line shapes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

NOTICE = "EXAMPLE LAB: invented data, made by a formula with noise"


@dataclass(frozen=True)
class Sweep:
    """One sweep: rates in MHz of ordinary frequency (full widths), `span_mhz` wide and centred `centre_mhz` off zero.

    `splitting_mhz` is 2g. `form` is the instrument that wrote the file: `trace` (time), `counter` (detuning),
    `wavemeter` (wavelength). A sweep with `intrinsic_mhz` 0 shows no resonance.
    """

    wavelength_nm: float
    intrinsic_mhz: float
    coupling_mhz: float
    splitting_mhz: float
    span_mhz: float
    centre_mhz: float
    points: int
    noise: float
    light_v: float
    tilt: float
    bend: float
    dark_v: float
    tuning_mhz_per_s: float
    form: str
    file_name: str
    seed: int


def transmission(detuning_mhz: NDArray[np.float64], sweep: Sweep) -> NDArray[np.float64]:
    """Power transmission |1 − κ_ex χ/(χ² + g²)|², χ = κ/2 + iΔ, with Δ (n,) in MHz and all rates over 2π.

    Steady state of da/dt = −χ a − i g b + …, db/dt = −χ b − i g a for the two directions
    (Weiss et al., Opt. Lett. 20, 1835 (1995)).
    """
    if sweep.intrinsic_mhz <= 0:
        return np.ones_like(detuning_mhz)
    chi = (sweep.intrinsic_mhz + sweep.coupling_mhz) / 2 + 1j * detuning_mhz
    amplitude = 1 - sweep.coupling_mhz * chi / (chi**2 + (sweep.splitting_mhz / 2) ** 2)
    return np.abs(amplitude) ** 2


def samples(sweep: Sweep) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Detuning in MHz (n,), rising, and detector volts (n,) with noise of `noise` times the light."""
    rng = np.random.default_rng(sweep.seed)
    along = np.linspace(-0.5, 0.5, sweep.points)
    detuning_mhz = along * sweep.span_mhz
    light = sweep.light_v * (1 + sweep.tilt * along + sweep.bend * along**2)
    clean = light * transmission(detuning_mhz - sweep.centre_mhz, sweep)
    volts = sweep.dark_v + clean + sweep.noise * sweep.light_v * rng.standard_normal(sweep.points)
    return detuning_mhz, volts


def scan_bytes(sweep: Sweep) -> bytes:
    """The file as its instrument writes it."""
    detuning_mhz, volts = samples(sweep)
    writer = {"trace": _trace, "counter": _counter, "wavemeter": _wavemeter}[sweep.form]
    return writer(sweep, detuning_mhz, volts).encode("utf-8")


def _trace(sweep: Sweep, detuning_mhz: NDArray[np.float64], volts: NDArray[np.float64]) -> str:
    seconds = detuning_mhz / sweep.tuning_mhz_per_s
    order = np.argsort(seconds)
    head = f"# {NOTICE}\n# Trace box, channel 1, {sweep.points} points\n# laser ramp on channel 2, not kept\n"
    head += "time [ms],detector [V]\n"
    return head + "\n".join(
        f"{1e3 * t:.6f},{v:.5f}" for t, v in zip(seconds[order].tolist(), volts[order].tolist(), strict=True)
    )


def _counter(sweep: Sweep, detuning_mhz: NDArray[np.float64], volts: NDArray[np.float64]) -> str:
    head = f"{NOTICE}\nBeat counter log\npoints;{sweep.points}\n\ndetuning (MHz);detector (V)\n"
    text = "\n".join(f"{x:.5f};{v:.5f}" for x, v in zip(detuning_mhz.tolist(), volts.tolist(), strict=True))
    return head + text.replace(".", ",")


def _wavemeter(sweep: Sweep, detuning_mhz: NDArray[np.float64], volts: NDArray[np.float64]) -> str:
    light_m_per_s = 299_792_458.0
    carrier_mhz = light_m_per_s / (sweep.wavelength_nm * 1e-9) / 1e6
    nm = sweep.wavelength_nm / (1 + detuning_mhz[::-1] / carrier_mhz)
    head = f"# {NOTICE}\n# Wavemeter sweep\nwavelength_nm\tdetector_v\n"
    return head + "\n".join(f"{x:.9f}\t{v:.5f}" for x, v in zip(nm.tolist(), volts[::-1].tolist(), strict=True))
