"""From columns to a scan: the axis column into optical frequency, ordered and windowed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.core.optics.results import SPEED_OF_LIGHT_M_PER_S, Axis, AxisBasis, AxisOptions, FloatArray, Scan
from app.core.optics.scanfile import MINIMUM_ROWS, Columns
from app.core.optics.units import AXIS_UNITS, FREQUENCY_HZ, LENGTH_M, TIME_S
from app.core.optics.unreadable import ScanUnreadable

# Silica guides light between about 0.2 and 4 um; an axis outside has the wrong unit.
SHORTEST_M, LONGEST_M = 200e-9, 4.0e-6


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
    ix, iy = choose_columns(columns, options)
    x, y = columns.values[:, ix], columns.values[:, iy]
    unit = _axis_unit(columns, ix, options)
    _check_signal_unit(columns, iy, y, options)
    _check_varies(columns.names[ix], x, "axis")
    detuning = _detuning(x, unit, options)
    mhz = detuning.mhz
    keep = _in_window(x, unit, options)
    mhz, y = mhz[keep], y[keep]
    _check_varies(columns.names[iy], y, "signal")
    order = np.argsort(mhz, kind="stable")
    return Scan(
        detuning_mhz=np.ascontiguousarray(mhz[order]),
        signal=np.ascontiguousarray(y[order]),
        axis=Axis(
            detuning.basis,
            unit,
            detuning.absolute,
            detuning.reference_thz,
            options.rel_sigma,
            options.tuning_mhz_per_s if unit in TIME_S else None,
        ),
        x_name=columns.names[ix],
        y_name=columns.names[iy],
        notes=(columns.in_words(),),
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


def _check_signal_unit(columns: Columns, iy: int, y: FloatArray, options: AxisOptions) -> None:
    unit = columns.units[iy]
    if options.y_unit == "linear":
        return
    looks_db = bool((y < 0).all() and np.ptp(y) > 6)
    if options.y_unit in {"dB", "dBm"} or unit in {"dB", "dBm"} or looks_db:
        why = f"column '{columns.names[iy]}' " + ("is" if not looks_db or unit else "looks as if it were")
        raise ScanUnreadable(
            "decibels", f"{why} in decibels, which are not read yet; convert to linear, or say --y-unit linear"
        )


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
