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
from app.core.optics.many import analyse_all
from app.core.optics.report import as_json, failed_json, in_words
from app.core.optics.results import Analysis, AxisOptions, FitOptions, NoFit, Scan
from app.core.optics.scanfile import read_columns
from app.core.optics.units import AXIS_UNITS
from app.core.optics.unreadable import ScanUnreadable

LARGEST_FILE_BYTES = 512 * 1024 * 1024
_EXAMPLES = """examples:
  marver fit scan.csv --json
  marver fit trace.txt --x-unit ms --tuning-mhz-per-s 2.5e5 --tuning-sigma 0.03 --wavelength-nm 1550.12
  marver fit wide_dbm.csv --y-unit dBm --all --json
  marver fit fringes.csv --reference mzi --fsr-mhz 204.19 --wavelength-nm 1550.1 --plot fit.svg
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
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="scan files (delimited text, .npy, .npz, HDF5, MAT level 5)"
    )
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
    column.add_argument("--reference", metavar="COL", help="interferometer channel whose fringes make the axis")
    column.add_argument(
        "--fsr-mhz", type=number, metavar="F", help="its free spectral range (negative: sweep runs down)"
    )
    column.add_argument("--fsr-sigma-mhz", type=positive, metavar="S", help="and the standard uncertainty of that")
    column.add_argument(
        "--y-unit", default="auto", metavar="UNIT", help="auto, linear, dB or dBm; fits run in linear power (auto)"
    )
    column.add_argument(
        "--dark", type=number, metavar="V", help="detector level without light, in the file's unit (taken as 0)"
    )
    column.add_argument(
        "--dark-window", nargs=2, type=number, metavar=("LO", "HI"), help="part without light, in the file's own unit"
    )
    fit = parser.add_argument_group("fit")
    fit.add_argument("--model", choices=("auto", "single", "split"), default="auto", help="line shape (auto)")
    fit.add_argument("--regime", choices=("under", "over"), help="coupling regime (under)")
    fit.add_argument("--shape", choices=("dip", "peak"), default="dip", help="dip, or reflection or drop-port peak")
    fit.add_argument("--laser-mhz", type=positive, metavar="W", help="full width of the laser's own (Lorentz) line")
    fit.add_argument("--all", action="store_true", help="every resonance of a long scan")
    fit.add_argument("--plot", metavar="OUT", help="picture of scan, fit and residuals, .svg or .png (one file)")


def run(args: argparse.Namespace) -> int:
    """Fit each file; the exit code is that of the worst."""
    refusal = _refused(args)
    if refusal:
        print(f"marver fit: {refusal}", file=sys.stderr)
        return 2
    worst = 0
    entries: list[dict[str, Any]] = []
    for file in args.files:
        code, found, words = _fit_file(file, args)
        worst = max(worst, code)
        entries += found
        if code:
            print(f"marver fit: {file}: {found[0]['error']['text']}", file=sys.stderr)
        elif not args.json:
            print(words)
    if args.json:
        alone = len(args.files) == 1 and not args.all
        print(json.dumps(entries[0] if alone else entries, allow_nan=False, ensure_ascii=False))
    return worst


def _refused(args: argparse.Namespace) -> str | None:
    """Options whose values are of the wrong kind, or that do not go together."""
    units = {"auto": "auto", "linear": "linear", "db": "dB", "dbm": "dBm"}
    if args.y_unit.lower() not in units:
        return f"--y-unit {args.y_unit}: use auto, linear, dB or dBm"
    args.y_unit = units[args.y_unit.lower()]
    if args.reference is not None and args.fsr_mhz is None:
        return "--reference needs the interferometer's free spectral range: --fsr-mhz"
    if args.reference is None and (args.fsr_mhz is not None or args.fsr_sigma_mhz is not None):
        return "--fsr-mhz goes with --reference, the interferometer's column"
    if args.dark is not None and args.dark_window is not None:
        return "--dark and --dark-window: give one of the two"
    if args.plot and Path(args.plot).suffix.lower() not in {".svg", ".png"}:
        return f"--plot {args.plot}: the name must end in .svg or .png"
    if args.plot and (args.all or len(args.files) > 1):
        return "--plot draws one fit: give one file, without --all"
    if args.x_unit is not None and args.x_unit not in AXIS_UNITS:
        return f"--x-unit {args.x_unit}: use one of {', '.join(AXIS_UNITS)}"
    return None


def _fit_file(file: str, args: argparse.Namespace) -> tuple[int, list[dict[str, Any]], str]:
    try:
        scan = build_scan(read_columns(_bytes_of(Path(file))), _axis_options(args))
        options = _fit_options(args, scan)
        begun = time.perf_counter()
        found = analyse_all(scan, options) if args.all else analyse(scan, options)
        seconds = time.perf_counter() - begun
        if isinstance(found, NoFit):
            return 1, [failed_json(file, found.code, found.text)], ""
        if args.plot and isinstance(found, Analysis):
            _draw(args.plot, scan, found)
    except ScanUnreadable as unreadable:
        return 2, [failed_json(file, unreadable.code, unreadable.text)], ""
    fits = found if isinstance(found, list) else [found]
    entries = [as_json(file, one, seconds / len(fits), i) for i, one in enumerate(fits)]
    return 0, entries, "\n".join(in_words(file, one) for one in fits)


def _draw(out: str, scan: Scan, analysis: Analysis) -> None:
    """The picture as a file; what cannot be written is told like a file that cannot be read."""
    from app.charts.fit_picture import picture
    from app.charts.render import png, svg

    spec = picture(scan, analysis)
    try:
        if Path(out).suffix.lower() == ".svg":
            Path(out).write_text(svg(spec, "print"), encoding="utf-8")
        else:
            Path(out).write_bytes(png(spec, "print"))
    except OSError as error:
        raise ScanUnreadable("cannot_write", f"{out} cannot be written: {error.strerror}") from None


def _fit_options(args: argparse.Namespace, scan: Scan) -> FitOptions:
    dark = args.dark or 0.0
    if args.dark is not None and scan.decibels:
        dark = 10.0 ** (0.1 * min(args.dark, 300.0))
    if args.dark is None and scan.dark is not None:
        dark = scan.dark
    return FitOptions(
        model=args.model,
        regime=args.regime,
        dark=dark,
        dark_given=args.dark is not None or scan.dark is not None,
        laser_mhz=args.laser_mhz,
        shape=args.shape,
        whole=args.window is not None and not args.all,
    )


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
        reference=args.reference,
        fsr_mhz=args.fsr_mhz,
        fsr_sigma_mhz=args.fsr_sigma_mhz,
        window=None if args.window is None else tuple(args.window),
        dark_window=None if args.dark_window is None else tuple(args.dark_window),
    )
