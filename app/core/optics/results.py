"""What a scan analysis takes and gives: frozen values that can be stored as plain numbers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0

AxisBasis = Literal["wavelength", "frequency", "detuning", "tuning-rate", "fringes", "sidebands"]
ModelName = Literal["single", "split"]
Reading = Literal["under", "over"]
RegimeBasis = Literal["assumed", "option", "line-shape", "series"]
CheckState = Literal["found", "clear", "not_checkable"]


@dataclass(frozen=True)
class Measured:
    """A value with its 95 % profile interval `low`-`high` and `sigma`, half the 68.3 % one; None: unbounded."""

    value: float
    sigma: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class AxisOptions:
    """How the axis column becomes optical frequency; None means: as the file says.

    `wavelength_nm` is the vacuum wavelength at the zero of a relative axis, `tuning_mhz_per_s` and
    `tuning_mhz_per_v` may be negative, `rel_sigma` is the axis scale's relative standard uncertainty.
    """

    x: str | int | None = None
    y: str | int | None = None
    x_unit: str | None = None
    y_unit: str = "auto"
    wavelength_nm: float | None = None
    tuning_mhz_per_s: float | None = None
    tuning_mhz_per_v: float | None = None
    rel_sigma: float | None = None
    reference: str | int | None = None
    """Column of a reference interferometer, whose fringes make the axis, and its free spectral range in MHz.

    The range is negative where the sweep runs down in optical frequency.
    """
    fsr_mhz: float | None = None
    fsr_sigma_mhz: float | None = None
    window: tuple[float, float] | None = None
    """Lower and upper end in the file's own axis unit."""
    dark_window: tuple[float, float] | None = None
    """The same of a stretch without light, whose mean is the dark level and which is not fitted."""


@dataclass(frozen=True)
class FitOptions:
    """What the person at the desk decides: shape, regime, and the detector's level without light."""

    model: Literal["auto", "single", "split"] = "auto"
    regime: Reading | None = None
    dark: float = 0.0
    dark_given: bool = False
    """Whether `dark` was measured, or is 0 for want of a measurement."""
    laser_mhz: float | None = None
    """Full width of the laser's own, Lorentz line."""
    shape: Literal["dip", "peak"] = "dip"
    whole: bool = False
    """Fit every sample given, as where a window was set by hand, instead of cutting one out around the dip."""


@dataclass(frozen=True)
class Axis:
    """Where the frequency axis comes from: detuning 0 is the optical frequency `reference_thz`."""

    basis: AxisBasis
    unit: str
    absolute: bool
    reference_thz: float
    rel_sigma: float | None
    sweep_mhz_per_s: float | None = None
    """Rate of the sweep, where the axis tells it."""


@dataclass(frozen=True, eq=False)
class Scan:
    """Transmitted power against detuning: `detuning_mhz` (n,) rising with optical frequency, `signal` (n,)."""

    detuning_mhz: FloatArray
    signal: FloatArray
    axis: Axis
    x_name: str = ""
    y_name: str = ""
    notes: tuple[str, ...] = ()
    decibels: Literal["", "stated", "assumed"] = ""
    """Whether the signal was made linear from decibels, and on whose word."""
    dark: float | None = None
    """Level without light, where the record shows it."""
    others: tuple[Scan, ...] = ()
    """Further sweeps of the same record, where its axis turns."""

    def __post_init__(self) -> None:
        x, y = self.detuning_mhz, self.signal
        if x.ndim != 1 or x.shape != y.shape:
            raise ValueError("detuning and signal must be two columns of equal length")
        if not (np.isfinite(x).all() and np.isfinite(y).all()):
            raise ValueError("detuning and signal must be finite")
        if x.size and (np.diff(x) < 0).any():
            raise ValueError("detuning must not fall")


@dataclass(frozen=True)
class StoredShape:
    """A fitted curve as numbers: enough to draw it again, with `curve` and `baseline` of `lineshapes`.

    `parameters` are named by `names`, in MHz of the scan's own detuning axis (`reference_thz` at zero) and, for
    the baseline, in the unit of the signal; `covariance` follows the same order; `start` are the start values
    of the fit, `constants` what was held (middle and half width of the baseline's variable, dark level).
    """

    shape: ModelName
    version: int
    names: tuple[str, ...]
    parameters: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    start: tuple[float, ...]
    constants: dict[str, float]
    reference_thz: float


@dataclass(frozen=True)
class Mode:
    """One resonance: loaded width (full at half maximum), Q and lifetime, and its intrinsic Q."""

    detuning_mhz: Measured
    linewidth_mhz: Measured
    q_loaded: Measured
    q_intrinsic: Measured
    q_intrinsic_other: float | None
    lifetime_ns: Measured


@dataclass(frozen=True)
class Device:
    """The resonator's intrinsic Q from the mean intrinsic width, and its grade A, B or C (C: lower bound)."""

    q_intrinsic: Measured
    grade: Literal["A", "B", "C"]


@dataclass(frozen=True)
class Regime:
    """Under- or over-coupled, and how that is known."""

    reading: Reading
    basis: RegimeBasis


@dataclass(frozen=True)
class Evidence:
    """BIC(single) - BIC(split) with the effective number of samples, and the same in words."""

    delta_bic: float
    text: str


@dataclass(frozen=True)
class Check:
    """One doubt about a scan: found, clear, or not checkable here (silence is no clearance)."""

    code: str
    state: CheckState
    bias_percent: float | None
    text: str


@dataclass(frozen=True)
class Quality:
    """`noise`: rms per sample over the baseline; `reduced_chi2`: residuals over sample-to-sample noise."""

    noise: float
    reduced_chi2: float
    points_per_linewidth: float


@dataclass(frozen=True)
class Analysis:
    """Everything said of one resonance in one scan; modes by rising optical frequency."""

    points: int
    model: ModelName
    wavelength_nm: float
    axis: Axis
    modes: tuple[Mode, ...]
    device: Device
    regime: Regime
    coupling_mhz: Measured
    splitting_mhz: Measured | None
    contrast: Measured
    evidence: Evidence
    checks: tuple[Check, ...]
    quality: Quality
    stored: StoredShape
    window_mhz: tuple[float, float]
    effective_points: float
    notes: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class NoFit:
    """The scan was read but holds no resonance that can be fitted; `code` is stable, `text` a sentence."""

    code: Literal["no_resonance", "dip_at_edge", "too_narrow", "too_few_points", "below_dark", "not_split"]
    text: str
