"""`marver refit`: every kept scan fitted again with this version, in parallel, each fit a new row."""

from __future__ import annotations

import argparse
import sys
import time
from typing import Any

from app.cli import lab_door
from app.settings import BadSetting

DONE, SOME_NOT, BAD = 0, 1, 2


def add_parser(subparsers: Any) -> None:
    """Describe the command's options."""
    parser = subparsers.add_parser(
        "refit",
        help="fit kept scans again, as new rows",
        description="Reads the file of each scan again and fits it in the window, shape and coupling of its accepted "
        "fit, else of its newest. The new fits are not judged yet; nothing that was accepted changes. Fits whose Q "
        "left the old interval are listed.",
        epilog="--only takes older (made by another version), unjudged, accepted, a grade (A, B, C), and codes of "
        "devices or pieces; given several times, a fit must be of all the kinds and of one of the codes\n\n"
        "examples:\n  marver refit --only older\n  marver refit --only W012 --only B --workers 4",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--only", action="append", default=[], metavar="WHAT", help="fit only these again")
    parser.add_argument("--dry-run", action="store_true", help="fit and compare, keep nothing")
    lab_door.add_lab_options(parser)
    lab_door.add_workers(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Fit again; 1 where some could not be."""
    lab_door.one_thread()
    try:
        settings = lab_door.settings_of(args)
        with lab_door.opened(settings) as database:
            return _refit(args, settings, database)
    except (BadSetting, lab_door.NoLabError) as why:
        print(f"marver refit: {why}", file=sys.stderr)
        return BAD


def _refit(args: argparse.Namespace, settings: Any, database: Any) -> int:
    from app.actions.intake import keep_redone, redo
    from app.actions.scans import software
    from app.cli.progress import shown
    from app.files import FileStore
    from app.queries.intake import fits_to_redo

    with database.reading() as session:
        todo = fits_to_redo(session, args.only, software())
        operator_id = lab_door.person_id(session, args)
    if isinstance(todo, str):
        raise lab_door.NoLabError(todo)
    if not todo:
        print("No fit is to be made again.")
        return DONE
    files = FileStore(settings.files)
    begun = time.monotonic()
    work = [(files, each) for each in todo]
    done = list(shown(lab_door.in_processes(redo, work, args.workers), len(work)))
    seconds = time.monotonic() - begun
    fitted = [each for each in done if each.prepared is not None]
    if fitted and not args.dry_run:
        with database.writing("refit scans", operator_id=operator_id) as writing:
            keep_redone(writing, done)
    for each in done:
        if each.prepared is None:
            print(f"scan {each.before.scan_id} of {each.before.device}: {each.why}")
        elif each.moved and each.prepared.fitted.analysis is not None:
            new = each.prepared.fitted.analysis.device.q_intrinsic.value
            print(f"scan {each.before.scan_id} of {each.before.device}: Q {each.before.q:.3g} is now {new:.3g}")
    moved = sum(each.moved for each in done)
    kept = "fitted, nothing kept" if args.dry_run else "fits added"
    missed = len(done) - len(fitted)
    print(f"{len(fitted)} {kept} in {seconds:.1f} s; {moved} outside the interval they had, {missed} without a fit.")
    return SOME_NOT if missed else DONE
