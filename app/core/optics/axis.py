"""From columns to a scan: the axis column into optical frequency, ordered and windowed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from app.core.optics.fringes import fringe_phase
from app.core.optics.ramps import sweeps
from app.core.optics.results import SPEED_OF_LIGHT_M_PER_S, Axis, AxisBasis, AxisOptions, FloatArray, Scan
from app.core.optics.scanfile import MINIMUM_ROWS, Columns
from app.core.optics.units import AXIS_UNITS, FREQUENCY_HZ, LENGTH_M, TIME_S
from app.core.optics.unreadable import ScanUnreadable

# Silica guides light between about 0.2 and 4 um; an axis outside has the wrong unit.
SHORTEST_M, LONGEST_M = 200e-9, 4.0e-6
_MOST_DB = 300.0


@dataclass(frozen=True, eq=False)
class _Detuning:
    mhz: FloatArray
    basis: AxisBasis
    reference_thz: float
    absolute: bool = False


def build_scan(columns: Columns, options: AxisOptions) -> Scan:
    """The scan in columns: detuning in MHz rising with optical frequency, signal in the file's unit.

    Wavelength: detuning = c (lambda_ref - lambda)/(lambda lambda_ref), exact; frequencies are absolute if all
    are above 1 THz, else detunings; time and ramp voltage are multiplied by the tuning rate. Raises
    ScanUnreadable for a missing or wrong unit, a missing wavelength or rate, a constant column.
    """
    if options.reference is not None:
        return _from_fringes(columns, options)
    ix, iy = choose_columns(columns, options)
    x, y = columns.values[:, ix], columns.values[:, iy]
    unit = _axis_unit(columns, ix, options)
    y, decibels = _linear(columns, iy, y, options)
    _check_varies(columns.names[ix], x, "axis")
    dark = None
    if options.dark_window is not None:
        x, y, dark = _dark_of(x, y, unit, options.dark_window)
    parts = sweeps(x)
    scans = [_one_sweep(columns, ix, iy, x[run], y[run], unit, decibels, options) for run in parts]
    if dark is not None:
        scans = [replace(scan, dark=dark) for scan in scans]
    if len(scans) == 1:
        return scans[0]
    turned = f"{len(scans)} sweeps, split where the axis turns; the first is fitted, the others compared with it"
    return replace(scans[0], notes=(*scans[0].notes, turned), others=tuple(scans[1:]))


def _dark_of(
    x: FloatArray, y: FloatArray, unit: str, window: tuple[float, float]
) -> tuple[FloatArray, FloatArray, float]:
    """Axis and signal without the stretch that shows no light, and the mean of that stretch."""
    low, high = sorted(window)
    inside = (x >= low) & (x <= high)
    if not inside.any() or np.count_nonzero(~inside) < MINIMUM_ROWS:
        raise ScanUnreadable(
            "window",
            f"--dark-window {low:.10g} to {high:.10g} {unit} holds {np.count_nonzero(inside)} of {len(x)} rows; "
            f"the file spans {x.min():.10g} to {x.max():.10g} {unit}",
        )
    return x[~inside], y[~inside], float(y[inside].mean())


def _one_sweep(
    columns: Columns,
    ix: int,
    iy: int,
    x: FloatArray,
    y: FloatArray,
    unit: str,
    decibels: Literal["", "stated", "assumed"],
    options: AxisOptions,
) -> Scan:
    detuning = _detuning(x, unit, options)
    mhz = detuning.mhz
    keep = _in_window(x, unit, options)
    mhz, y = mhz[keep], y[keep]
    _check_varies(columns.names[iy], y, "signal")
    order = np.argsort(mhz, kind="stable")
    rate = options.tuning_mhz_per_s if unit in TIME_S else None
    return Scan(
        detuning_mhz=np.ascontiguousarray(mhz[order]),
        signal=np.ascontiguousarray(y[order]),
        axis=Axis(detuning.basis, unit, detuning.absolute, detuning.reference_thz, options.rel_sigma, rate),
        x_name=columns.names[ix],
        y_name=columns.names[iy],
        notes=(columns.in_words(),),
        decibels=decibels,
    )


def _from_fringes(columns: Columns, options: AxisOptions) -> Scan:
    """The scan over the phase of its reference channel, zero in the middle of the record."""
    ref = _find(columns, options.reference or "", "--reference")
    if options.fsr_mhz is None or options.fsr_mhz == 0:
        raise ScanUnreadable("no_fsr", "an axis from fringes needs the interferometer's range: --fsr-mhz")
    others = [i for i in range(len(columns.names)) if i != ref]
    if options.y is not None:
        iy = _find(columns, options.y, "--y")
    elif len(others) == 1:
        iy = others[0]
    else:
        named = None if options.x is None else _find(columns, options.x, "--x")
        left = [i for i in others if i != named and columns.units[i] not in AXIS_UNITS[:-1]]
        if len(left) != 1:
            listed = ", ".join(f"{i} '{columns.names[i]}'" for i in others)
            raise ScanUnreadable("choose_columns", f"choose the signal with --y: {listed}")
        iy = left[0]
    fringes = fringe_phase(columns.values[:, ref])
    y, decibels = _linear(columns, iy, columns.values[:, iy], options)
    y = y[fringes.kept]
    turns = fringes.turns - 0.5 * float(fringes.turns[0] + fringes.turns[-1])
    mhz = turns * options.fsr_mhz
    _check_varies(columns.names[iy], y, "signal")
    if options.window is not None:
        low, high = sorted(options.window)
        keep = (mhz >= low) & (mhz <= high)
        mhz, y = mhz[keep], y[keep]
        _check_varies(columns.names[iy], y, "signal")
    order = np.argsort(mhz, kind="stable")
    rel = None if options.fsr_sigma_mhz is None else options.fsr_sigma_mhz / abs(options.fsr_mhz)
    if options.rel_sigma is not None:
        rel = float(np.hypot(rel or 0.0, options.rel_sigma))
    counted = f"axis from {float(fringes.turns[-1] - fringes.turns[0]):.1f} fringes of {abs(options.fsr_mhz):g} MHz, "
    counted += f"{1e3 * fringes.rms_turns:.2g} thousandths of a fringe from a smooth sweep"
    return Scan(
        detuning_mhz=np.ascontiguousarray(mhz[order]),
        signal=np.ascontiguousarray(y[order]),
        axis=Axis("fringes", "MHz", absolute=False, reference_thz=_reference_thz("fringes", options), rel_sigma=rel),
        x_name=columns.names[ref],
        y_name=columns.names[iy],
        notes=(columns.in_words(), counted),
        decibels=decibels,
    )


def choose_columns(columns: Columns, options: AxisOptions) -> tuple[int, int]:
    """Positions of the axis and the signal: as asked, or the two there are."""
    ix = None if options.x is None else _find(columns, options.x, "--x")
    iy = None if options.y is None else _find(columns, options.y, "--y")
    k = len(columns.names)
    if k > 2 and (ix is None or iy is None):
        listed = ", ".join(f"{i} '{name}'" for i, name in enumerate(columns.names))
        raise ScanUnreadable("choose_columns", f"{k} columns of numbers, choose with --x and --y: {listed}")
    if ix is None:
        ix = 0 if iy is None else 1 - iy
    if iy is None:
        iy = 1 - ix
    if ix == iy:
        raise ScanUnreadable("choose_columns", f"column '{columns.names[ix]}' cannot be axis and signal at once")
    return ix, iy


def _find(columns: Columns, wanted: str | int, option: str) -> int:
    names = columns.names
    text = str(wanted).strip()
    for match in (lambda name: name == text, lambda name: name.lower() == text.lower()):
        hits = [i for i, name in enumerate(names) if match(name)]
        if len(hits) == 1:
            return hits[0]
    if text.isdecimal() and int(text) < len(names):
        return int(text)
    listed = ", ".join(f"{i} '{name}'" for i, name in enumerate(names))
    raise ScanUnreadable("no_such_column", f"{option} {text}: no such column; there are {listed}")


def _axis_unit(columns: Columns, ix: int, options: AxisOptions) -> str:
    unit = options.x_unit or columns.units[ix]
    if unit is None:
        raise ScanUnreadable(
            "no_unit", f"the unit of column '{columns.names[ix]}' is not stated; give it with --x-unit"
        )
    if unit not in AXIS_UNITS:
        raise ScanUnreadable("wrong_unit", f"'{unit}' is no unit of a scan axis; use one of {', '.join(AXIS_UNITS)}")
    return unit


def _linear(
    columns: Columns, iy: int, y: FloatArray, options: AxisOptions
) -> tuple[FloatArray, Literal["", "stated", "assumed"]]:
    """The signal as linear power, 10^(dB/10), and on whose word it was in decibels."""
    asked, unit = options.y_unit.lower(), columns.units[iy]
    if asked == "linear":
        return y, ""
    stated = asked in {"db", "dbm"} or unit in {"dB", "dBm"}
    if not stated and not ((y < 0).all() and np.ptp(y) > 6):
        return y, ""
    if np.abs(y).max() > _MOST_DB:
        raise ScanUnreadable(
            "decibels", f"column '{columns.names[iy]}' runs to {np.abs(y).max():.4g}, which are no decibels"
        )
    return 10.0 ** (0.1 * y), "stated" if stated else "assumed"


def _check_varies(name: str, values: FloatArray, role: str) -> None:
    if len(values) < MINIMUM_ROWS:
        raise ScanUnreadable(
            "too_few_rows", f"only {len(values)} rows in the window; a scan has at least {MINIMUM_ROWS}"
        )
    if values.min() == values.max():
        raise ScanUnreadable(f"constant_{role}", f"column '{name}' ({role}) is constant: {values[0]:.6g} in every row")


def _in_window(x: FloatArray, unit: str, options: AxisOptions) -> np.ndarray:
    if options.window is None:
        return np.ones(len(x), dtype=bool)
    low, high = sorted(options.window)
    keep = (x >= low) & (x <= high)
    if keep.sum() < MINIMUM_ROWS:
        raise ScanUnreadable(
            "window",
            f"the window {low:.10g} to {high:.10g} {unit} holds {int(keep.sum())} rows; "
            f"the file spans {x.min():.10g} to {x.max():.10g} {unit}",
        )
    return keep


def _detuning(x: FloatArray, unit: str, options: AxisOptions) -> _Detuning:
    if unit in LENGTH_M:
        return _from_wavelength(x * LENGTH_M[unit], unit, options)
    if unit in FREQUENCY_HZ:
        hz = x * FREQUENCY_HZ[unit]
        if hz.min() > 1e12:
            _check_optical(SPEED_OF_LIGHT_M_PER_S / hz, x, unit)
            middle = 0.5 * (float(hz.min()) + float(hz.max()))
            return _Detuning((hz - middle) * 1e-6, "frequency", middle * 1e-12, absolute=True)
        if (hz > 1e12).any():
            raise ScanUnreadable("wrong_unit", f"the axis in {unit} lies on both sides of 1 THz")
        return _Detuning(hz * 1e-6, "detuning", _reference_thz(unit, options))
    if unit == "V":
        rate, option = options.tuning_mhz_per_v, "--tuning-mhz-per-v"
        scale = 1.0
    else:
        rate, option = options.tuning_mhz_per_s, "--tuning-mhz-per-s"
        scale = TIME_S[unit]
    if rate is None or rate == 0:
        raise ScanUnreadable("no_tuning_rate", f"an axis in {unit} needs its tuning rate: {option}")
    return _Detuning(x * (scale * rate), "tuning-rate", _reference_thz(unit, options))


def _from_wavelength(metres: FloatArray, unit: str, options: AxisOptions) -> _Detuning:
    c = SPEED_OF_LIGHT_M_PER_S
    if np.abs(metres).max() < 0.25 * SHORTEST_M:
        # Wavelengths this short are offsets from a laser line.
        zero_m = 1e-6 * c / (_reference_thz(unit, options) * 1e6)
        mhz = -c * metres / (zero_m * (zero_m + metres)) * 1e-6
        return _Detuning(mhz, "wavelength", c / zero_m * 1e-12)
    _check_optical(metres, metres / LENGTH_M[unit], unit)
    middle = 0.5 * (float(metres.min()) + float(metres.max()))
    mhz = c * (middle - metres) / (metres * middle) * 1e-6
    return _Detuning(mhz, "wavelength", c / middle * 1e-12, absolute=True)


def _check_optical(metres: FloatArray, x: FloatArray, unit: str) -> None:
    if metres.min() < SHORTEST_M or metres.max() > LONGEST_M:
        raise ScanUnreadable(
            "wrong_unit",
            f"the axis runs from {x.min():.6g} to {x.max():.6g} {unit}, which is no light silica guides: wrong unit?",
        )


def _reference_thz(unit: str, options: AxisOptions) -> float:
    if options.wavelength_nm is None:
        raise ScanUnreadable(
            "no_wavelength", f"an axis in {unit} is relative: give the wavelength at its zero with --wavelength-nm"
        )
    if not SHORTEST_M * 1e9 <= options.wavelength_nm <= LONGEST_M * 1e9:
        raise ScanUnreadable(
            "wrong_wavelength", f"--wavelength-nm {options.wavelength_nm:g}: silica guides 200 to 4000"
        )
    return SPEED_OF_LIGHT_M_PER_S / options.wavelength_nm * 1e-3
