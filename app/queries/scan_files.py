"""A stored scan file read again as it was read the first time, and fitted: bytes and options in, values out."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from app.core.optics.analyse import analyse
from app.core.optics.axis import build_scan, choose_columns
from app.core.optics.lineshapes import baseline, curve
from app.core.optics.report import as_json
from app.core.optics.results import Analysis, AxisOptions, FitOptions, NoFit, Scan, StoredShape
from app.core.optics.scanfile import Columns, read_columns
from app.core.optics.trace import Trace, trace_of
from app.core.optics.unreadable import ScanUnreadable
from app.core.refusal import Refusal

LARGEST_BYTES = 48 * 1024 * 1024
"""A scan file above this is refused by name; a million points take about a third of it."""
_AXIS_KEYS = (
    "x",
    "y",
    "x_unit",
    "y_unit",
    "wavelength_nm",
    "tuning_mhz_per_s",
    "tuning_mhz_per_v",
    "rel_sigma",
)


@dataclass(frozen=True, eq=False)
class ReadFile:
    """Columns as understood, and the scan made of them."""

    columns: Columns
    scan: Scan


@dataclass(frozen=True, eq=False)
class FittedFile:
    """A scan file's whole scan, what the fit in its window said, and how long that took."""

    size_bytes: int
    columns: Columns
    scan: Scan
    axis: AxisOptions
    options: FitOptions
    outcome: Analysis | NoFit
    seconds: float

    @property
    def analysis(self) -> Analysis | None:
        """The analysis, where a resonance was fitted."""
        return self.outcome if isinstance(self.outcome, Analysis) else None


def columns_of(content: bytes) -> Columns:
    """What the file holds; ScanUnreadable where it is no table of numbers or too large."""
    if len(content) > LARGEST_BYTES:
        size, most = len(content) / 2**20, LARGEST_BYTES / 2**20
        raise ScanUnreadable(
            "too_large", f"the file has {size:.0f} MB, at most {most:.0f} are read: thin it or cut it to the resonance"
        )
    return read_columns(content)


PLACES = {
    "choose_columns": "y",
    "no_such_column": "x",
    "no_unit": "x_unit",
    "wrong_unit": "x_unit",
    "no_tuning_rate": "tuning_mhz_per_s",
    "no_wavelength": "wavelength_nm",
    "wrong_wavelength": "wavelength_nm",
    "window": "window",
    "decibels": "y_unit",
}
"""Where on a form a person mends what was unreadable; everything else is about the file itself."""
_ADVICE = {
    "choose_columns": "The file has more than two columns of numbers: choose the axis and the signal.",
    "no_unit": "The file does not say in what unit its axis is: choose it here.",
    "no_tuning_rate": "An axis in time or volts needs the tuning rate that makes it a frequency.",
    "no_wavelength": "This axis is relative: give the vacuum wavelength at its zero.",
    "wrong_wavelength": "Silica guides light from 200 to 4000 nm: this wavelength lies outside.",
    "decibels": "The signal runs to values that are no decibels: say that it is linear.",
}
"""The same in the words of a form; the command line names its own options."""


def refusal_of(unreadable: ScanUnreadable) -> Refusal:
    """What is wrong with the file or its options as a refusal at the field that mends it."""
    at = PLACES.get(unreadable.code, "file")
    if unreadable.code == "no_tuning_rate" and " in V " in unreadable.text:
        at = "tuning_mhz_per_v"
    words = _ADVICE.get(unreadable.code, unreadable.text)
    return Refusal.of(words[:1].upper() + words[1:].rstrip(".") + ".", at=at)


def read_scan(content: bytes, axis: AxisOptions) -> ReadFile:
    """The whole scan in the file, whatever the window; ScanUnreadable says what is wrong and where."""
    columns = columns_of(content)
    return ReadFile(columns, build_scan(columns, _whole(axis)))


def fit_file(content: bytes, axis: AxisOptions, options: FitOptions) -> FittedFile:
    """Read and fit: the same bytes and options always give the same numbers."""
    read = read_scan(content, axis)
    windowed = read.scan if axis.window is None else build_scan(read.columns, axis)
    begun = time.perf_counter()
    outcome = analyse(windowed, options)
    return FittedFile(len(content), read.columns, read.scan, axis, options, outcome, time.perf_counter() - begun)


def result_of(fitted: FittedFile) -> dict[str, Any]:
    """What `marver fit --json` prints of this fit, without the file's name."""
    if fitted.analysis is None:
        return {}
    result = as_json("", fitted.analysis, fitted.seconds)
    return {key: value for key, value in result.items() if key != "file"}


def numbers_of(fitted: FittedFile) -> dict[str, Any]:
    """The fit as plain numbers: shape, parameters, covariance, start values, window, options."""
    analysis = fitted.analysis
    if analysis is None:
        return {}
    plain: dict[str, Any] = _plain(
        {
            **asdict(analysis.stored),
            "window_mhz": analysis.window_mhz,
            "effective_points": analysis.effective_points,
            "options": asdict(fitted.options),
        }
    )
    return plain


def stored_shape(numbers: Mapping[str, Any]) -> StoredShape:
    """The curve that was stored with `numbers_of`, ready to be drawn again."""
    return StoredShape(
        shape=numbers["shape"],
        version=numbers["version"],
        names=tuple(numbers["names"]),
        parameters=tuple(numbers["parameters"]),
        covariance=tuple(tuple(row) for row in numbers["covariance"]),
        start=tuple(numbers["start"]),
        constants=dict(numbers["constants"]),
        reference_thz=numbers["reference_thz"],
    )


def reading_of(fitted: FittedFile) -> dict[str, Any]:
    """How the file was read, to read it in the same way again, and what was understood of it in words."""
    axis = {key: value for key in _AXIS_KEYS if (value := getattr(fitted.axis, key)) is not None}
    outcome = fitted.outcome
    missed = {"no_fit": {"code": outcome.code, "text": outcome.text}} if isinstance(outcome, NoFit) else {}
    return {
        **axis,
        "understood": fitted.columns.in_words(),
        "x_name": fitted.scan.x_name,
        "y_name": fitted.scan.y_name,
        "unit": fitted.scan.axis.unit,
        "basis": fitted.scan.axis.basis,
        "points": len(fitted.scan.detuning_mhz),
        **missed,
    }


def axis_of(reading: Mapping[str, Any], window: tuple[float, float] | None = None) -> AxisOptions:
    """Axis options as a scan keeps them; `window` in the file's own unit."""
    return AxisOptions(**{key: reading[key] for key in _AXIS_KEYS if key in reading}, window=window)


def file_window(read: ReadFile, axis: AxisOptions, low_mhz: float, high_mhz: float) -> tuple[float, float] | None:
    """The window from `low_mhz` to `high_mhz` of the scan's own detuning in the file's own axis unit; None: empty."""
    ix, _ = choose_columns(read.columns, axis)
    x = np.sort(read.columns.values[:, ix])
    rate = axis.tuning_mhz_per_v if read.scan.axis.unit == "V" else axis.tuning_mhz_per_s
    basis = read.scan.axis.basis
    falls = basis == "wavelength" or (basis == "tuning-rate" and (rate or 0.0) < 0)
    at = x[::-1] if falls else x
    low, high = sorted((low_mhz, high_mhz))
    inside = at[(read.scan.detuning_mhz >= low) & (read.scan.detuning_mhz <= high)]
    return (float(inside.min()), float(inside.max())) if len(inside) else None


def _whole(axis: AxisOptions) -> AxisOptions:
    return AxisOptions(**{key: getattr(axis, key) for key in _AXIS_KEYS})


def _plain(value: Any) -> Any:
    """Lists and plain numbers, so that the same JSON comes back from either database; no NaN or Infinity."""
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    if isinstance(value, (bool, str)) or value is None:
        return value
    if isinstance(value, (int, np.integer)):
        return int(value)
    return float(value) if np.isfinite(value) else None


@dataclass(frozen=True, eq=False)
class Picture:
    """What a plot draws: a trace, where its detunings are counted from, and the signal's name."""

    trace: Trace
    zero_mhz: float
    y_name: str


def picture_of(read: ReadFile, numbers: Mapping[str, Any] | None, noise: float | None) -> Picture:
    """The scan with a stored fit over its window; detunings count from the fitted centre of an absolute axis."""
    stored = None if not numbers else stored_shape(numbers)
    window = None if not numbers else (float(numbers["window_mhz"][0]), float(numbers["window_mhz"][1]))
    return Picture(
        trace_of(read.scan, stored, window, noise or 0.0), zero_of(read.scan.axis.absolute, numbers), read.scan.y_name
    )


def zero_of(absolute: bool, numbers: Mapping[str, Any] | None) -> float:
    """Where detunings count from, in MHz of the scan's own axis."""
    return float(numbers["parameters"][0]) if absolute and numbers else 0.0


def trace_table(read: ReadFile, numbers: Mapping[str, Any] | None) -> str:
    """Every sample as CSV: detuning_mhz, signal, and within the window the fit and the light without resonance."""
    x, y = read.scan.detuning_mhz, read.scan.signal
    zero = zero_of(read.scan.axis.absolute, numbers)
    lines = ["detuning_mhz,signal,fit,without_resonance"]
    if not numbers:
        lines += [f"{a:.9g},{b:.9g},," for a, b in zip((x - zero).tolist(), y.tolist(), strict=True)]
        return "\n".join(lines) + "\n"
    stored = stored_shape(numbers)
    low, high = numbers["window_mhz"]
    inside = ((x >= low) & (x <= high)).tolist()
    columns = ((x - zero).tolist(), y.tolist(), curve(stored, x).tolist(), baseline(stored, x).tolist(), inside)
    dark = stored.constants["dark"]
    for at, signal, fitted, light, within in zip(*columns, strict=True):
        rest = f"{fitted:.9g},{light + dark:.9g}" if within else ","
        lines.append(f"{at:.9g},{signal:.9g},{rest}")
    return "\n".join(lines) + "\n"
