"""`marver import scans FOLDER`: scan files into the records, matched to devices by their names."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.cli import lab_door
from app.core.name_pattern import DEFAULT, PLACEHOLDERS, BadPattern, read_pattern
from app.settings import BadSetting

if TYPE_CHECKING:
    from app.actions.intake import Fitting, Row, Source
    from app.schemas.scans import ReadingIn

DONE, SOME_REFUSED, BAD = 0, 1, 2
MOST_FILES = 5000


def add_parser(subparsers: Any) -> None:
    """Describe the command's options."""
    parser = subparsers.add_parser(
        "import",
        help="bring files into the records",
        description="Brings files into the records: a preview, then one transaction.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    kinds = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    words = "\n".join(f"  {{{name}}}".ljust(20) + text for name, text in PLACEHOLDERS.items())
    scans = kinds.add_parser(
        "scans",
        help="scan files of a folder",
        description="Matches each file of a folder to its device by its name, fits it, shows what would become of it "
        "and keeps all that can be kept in one transaction. A file is never kept twice; refused files are listed.",
        epilog=f"placeholders of --pattern, in literal text:\n{words}\n\nexamples:\n"
        "  marver import scans scope --wavelength-nm 1550 --dry-run\n"
        "  marver import scans scope --pattern '{device}_{mode}_{power_uw}uW.csv' --accept --yes\n\n"
        "exit codes: 0 all kept or kept already, 1 some refused, 2 nothing could be done",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    scans.add_argument("folder", type=Path, metavar="FOLDER", help="its files, not those of folders in it")
    scans.add_argument("--pattern", default=DEFAULT, help=f"what the names say (default {DEFAULT})")
    scans.add_argument("--device", default="", metavar="CODE", help="all files are of this device")
    scans.add_argument("--mode", default="", metavar="NAME", help="and of this mode")
    scans.add_argument("--dry-run", action="store_true", help="only show what would become of each file")
    scans.add_argument("--yes", action="store_true", help="do not ask before keeping")
    lab_door.add_lab_options(scans)
    lab_door.add_workers(scans)
    lab_door.add_scan_options(scans)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Bring them in."""
    try:
        settings = lab_door.settings_of(args)
        with lab_door.opened(settings) as database:
            return _scans(args, settings, database)
    except (BadSetting, BadPattern, lab_door.NoLabError) as why:
        return _no(str(why))


def sources_in(folder: Path) -> list[Source]:
    """The folder's own files, hidden ones left out, in the order a person counts (2 before 10)."""
    from app.actions.intake import Source

    try:
        found = [each for each in folder.iterdir() if each.is_file() and not each.name.startswith(".")]
    except OSError as why:
        raise lab_door.NoLabError(f"{folder}: {why.strerror or why}") from why
    if len(found) > MOST_FILES:
        raise lab_door.NoLabError(f"{folder} holds {len(found)} files; at most {MOST_FILES} at once")
    found.sort(key=lambda each: [int(part) if part.isdecimal() else part for part in _counted(each.name)])
    return [Source(each.name, each, landed=datetime.fromtimestamp(each.stat().st_mtime, UTC)) for each in found]


def _counted(name: str) -> list[str]:
    return ["", *re.split(r"([0-9]+)", name.casefold())]


def _scans(args: argparse.Namespace, settings: Any, database: Any) -> int:
    from app.actions.intake import Sweep, keep_intake, plan_intake
    from app.cli.progress import shown
    from app.core.refusal import Refusal
    from app.files import FileStore
    from app.queries.intake import intake_facts

    pattern = read_pattern(args.pattern)
    sources = sources_in(args.folder)
    if not sources:
        raise lab_door.NoLabError(f"{args.folder} holds no file")
    with database.reading() as session:
        facts = intake_facts(session)
        operator_id = lab_door.person_id(session, args)
    device = _device(args.device, facts.devices)
    use = None if device and args.pattern == DEFAULT else pattern
    sweep = Sweep(lab_door.reading_from(args), lab_door.common_from(args), device, args.mode, args.accept)

    def fit(work: Sequence[tuple[Source, ReadingIn]]) -> Iterable[Fitting]:
        from app.actions.intake import fit_source

        return shown(lab_door.in_processes(fit_source, work, args.workers), len(work))

    files = FileStore(settings.files)
    rows = plan_intake(sources, use, facts, sweep, fit)
    rows = keep_intake(database, files, rows, operator_id=operator_id, dry_run=True)
    ready = sum(row.state == "ready" for row in rows)
    _show(rows)
    if args.dry_run or not ready:
        print(_sum(rows, "would be kept" if args.dry_run else "kept"))
        if args.dry_run:
            print("Nothing was kept: this was a preview.")
        return SOME_REFUSED if _refused(rows) else DONE
    if sys.stdin.isatty() and not args.yes and not _agreed(ready):
        print("Nothing was kept.")
        return DONE
    try:
        rows = keep_intake(database, files, rows, operator_id=operator_id)
    except Refusal as refusal:
        return _no(str(refusal))
    print(_sum(rows, "kept"))
    return SOME_REFUSED if _refused(rows) else DONE


def _device(code: str, known: Sequence[str]) -> str:
    if not code:
        return ""
    found = next((each for each in known if each.casefold() == code.casefold()), None)
    if found is None:
        raise lab_door.NoLabError(f"there is no device {code}")
    return found


def _show(rows: Sequence[Row]) -> None:
    wide = min(48, max(len(row.source.name) for row in rows))
    for row in rows:
        print(f"{row.source.name:<{wide}}  {line_of(row)}")


def line_of(row: Row) -> str:
    """What becomes of one file."""
    if row.state in ("refused", "known"):
        return f"{'refused' if row.state == 'refused' else 'left out'}: {row.why}"
    analysis = row.fitted.analysis if row.fitted else None
    place = f"{row.device}, {row.mode or 'new mode'}"
    if analysis is None:
        return f"{place}: {row.why}"
    q = analysis.device.q_intrinsic
    least = " or more" if analysis.device.grade == "C" or q.high is None else ""
    return f"{place}: Q {q.value:.3g}{least}, {analysis.model}, grade {analysis.device.grade}"


def _refused(rows: Sequence[Row]) -> int:
    return sum(row.state == "refused" for row in rows)


def _sum(rows: Sequence[Row], verb: str) -> str:
    kept = sum(row.state in ("ready", "kept") for row in rows)
    known = sum(row.state == "known" for row in rows)
    parts = [f"{kept} {'scan' if kept == 1 else 'scans'} {verb}"]
    parts += [f"{known} kept already"] if known else []
    parts += [f"{_refused(rows)} refused"] if _refused(rows) else []
    return ", ".join(parts) + "."


def _agreed(ready: int) -> bool:
    answer = input(f"Keep {'this scan' if ready == 1 else f'these {ready} scans'}? [y/n] ")
    return answer.strip().lower() in ("y", "yes")


def _no(why: str) -> int:
    print(f"marver import: {why}", file=sys.stderr)
    return BAD
