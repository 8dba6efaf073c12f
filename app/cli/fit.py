"""`marver fit`: scan files in, Q with its interval out, no database."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from app.core.optics.analyse import analyse
from app.core.optics.axis import build_scan
from app.core.optics.report import as_json, failed_json, in_words
from app.core.optics.results import AxisOptions, FitOptions, NoFit
from app.core.optics.scanfile import read_columns
from app.core.optics.units import AXIS_UNITS
from app.core.optics.unreadable import ScanUnreadable

LARGEST_FILE_BYTES = 512 * 1024 * 1024
_EXAMPLES = """examples:
  marver fit scan.csv --json
  marver fit trace.txt --x-unit ms --tuning-mhz-per-s 2.5e5 --tuning-sigma 0.03 --wavelength-nm 1550.12
  marver fit a.csv b.csv c.csv --window 1549.98 1550.02 --json

exit codes: 0 all fitted, 1 some file has no resonance, 2 some file cannot be read (2 wins)
"""


def number(text: str) -> float:
    """A finite number, decimal point or comma."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number") from None
    if not abs(value) < 1e300:
        raise argparse.ArgumentTypeError(f"'{text}' is not a finite number")
    return value


def positive(text: str) -> float:
    """A number above zero."""
    value = number(text)
    if value <= 0:
        raise argparse.ArgumentTypeError(f"'{text}' must be above zero")
    return value


def add_parser(subparsers: Any) -> None:
    """Add `fit` and its options."""
    parser = subparsers.add_parser("fit", help="fit scans, without any database", description=__doc__, epilog=_EXAMPLES)
    parser.add_argument("files", nargs="+", metavar="FILE", help="scan files (delimited text)")
    parser.add_argument("--json", action="store_true", help="one JSON object, or an array for several files")
    column = parser.add_argument_group("columns and axis")
    column.add_argument("--x", metavar="COL", help="axis column, by name or 0-based number")
    column.add_argument("--y", metavar="COL", help="signal column, by name or 0-based number")
    column.add_argument("--x-unit", metavar="UNIT", help=f"{', '.join(AXIS_UNITS)}; else from the heading")
    column.add_argument(
        "--wavelength-nm", type=positive, metavar="NM", help="vacuum wavelength at the zero of a relative axis"
    )
    column.add_argument("--tuning-mhz-per-s", type=number, metavar="R", help="tuning rate of a time axis")
    column.add_argument("--tuning-mhz-per-v", type=number, metavar="R", help="tuning rate of a voltage axis")
    column.add_argument(
        "--tuning-sigma", type=positive, metavar="REL", help="relative standard uncertainty of the axis"
    )
    column.add_argument(
        "--window", nargs=2, type=number, metavar=("LO", "HI"), help="part to fit, in the file's own unit"
    )
    column.add_argument("--y-unit", default="auto", metavar="UNIT", help="auto or linear (dB and dBm: not yet)")
    column.add_argument("--dark", type=number, default=0.0, metavar="V", help="detector level without light (0)")
    fit = parser.add_argument_group("fit")
    fit.add_argument("--model", choices=("auto", "single", "split"), default="auto", help="line shape (auto)")
    fit.add_argument("--regime", choices=("under", "over"), help="coupling regime (under)")
    fit.add_argument("--shape", choices=("dip", "peak"), default="dip", help="dip (peak: not yet)")
    later = parser.add_argument_group("not available yet")
    later.add_argument("--all", action="store_true", help="every resonance of a long scan")
    later.add_argument("--plot", metavar="OUT", help="picture of scan, fit and residuals")
    later.add_argument("--reference", metavar="COL", help="interferometer channel for the axis")
    later.add_argument("--fsr-mhz", metavar="F", help="its free spectral range")
    later.add_argument("--fsr-sigma-mhz", metavar="S", help="and the uncertainty of that")


def run(args: argparse.Namespace) -> int:
    """Fit each file; the exit code is that of the worst."""
    refusal = _refused(args)
    if refusal:
        print(f"marver fit: {refusal}", file=sys.stderr)
        return 2
    worst = 0
    entries: list[dict[str, Any]] = []
    for file in args.files:
        code, entry, words = _fit_file(file, args)
        worst = max(worst, code)
        entries.append(entry)
        if code:
            print(f"marver fit: {file}: {entry['error']['text']}", file=sys.stderr)
        elif not args.json:
            print(words)
    if args.json:
        print(json.dumps(entries[0] if len(entries) == 1 else entries, allow_nan=False, ensure_ascii=False))
    return worst


def _refused(args: argparse.Namespace) -> str | None:
    """Options that are understood but not there yet, or whose values are of the wrong kind."""
    for option in ("all", "plot", "reference", "fsr_mhz", "fsr_sigma_mhz"):
        if getattr(args, option):
            return f"--{option.replace('_', '-')} is not available yet"
    if args.shape == "peak":
        return "--shape peak is not available yet"
    if args.y_unit.lower() in {"db", "dbm"}:
        return f"--y-unit {args.y_unit} is not available yet; convert to linear power first"
    if args.y_unit not in {"auto", "linear"}:
        return f"--y-unit {args.y_unit}: use auto or linear"
    if args.x_unit is not None and args.x_unit not in AXIS_UNITS:
        return f"--x-unit {args.x_unit}: use one of {', '.join(AXIS_UNITS)}"
    return None


def _fit_file(file: str, args: argparse.Namespace) -> tuple[int, dict[str, Any], str]:
    try:
        scan = build_scan(read_columns(_bytes_of(Path(file))), _axis_options(args))
    except ScanUnreadable as unreadable:
        return 2, failed_json(file, unreadable.code, unreadable.text), ""
    begun = time.perf_counter()
    options = FitOptions(model=args.model, regime=args.regime, dark=args.dark, whole=args.window is not None)
    analysis = analyse(scan, options)
    seconds = time.perf_counter() - begun
    if isinstance(analysis, NoFit):
        return 1, failed_json(file, analysis.code, analysis.text), ""
    return 0, as_json(file, analysis, seconds), in_words(file, analysis)


def _bytes_of(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise ScanUnreadable("folder", "this is a folder, not a file")
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise ScanUnreadable("too_large", f"larger than {LARGEST_FILE_BYTES // 2**20} MB")
        return path.read_bytes()
    except FileNotFoundError:
        raise ScanUnreadable("no_file", "no such file") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ScanUnreadable("cannot_open", f"cannot be opened: {reason}") from None


def _axis_options(args: argparse.Namespace) -> AxisOptions:
    return AxisOptions(
        x=args.x,
        y=args.y,
        x_unit=args.x_unit,
        y_unit=args.y_unit,
        wavelength_nm=args.wavelength_nm,
        tuning_mhz_per_s=args.tuning_mhz_per_s,
        tuning_mhz_per_v=args.tuning_mhz_per_v,
        rel_sigma=args.tuning_sigma,
        window=None if args.window is None else tuple(args.window),
    )
