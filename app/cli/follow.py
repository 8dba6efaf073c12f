"""`marver follow FOLDER`: brings in each scan file as an instrument saves it."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from app.cli import lab_door
from app.core.name_pattern import DEFAULT, BadPattern, NamePattern, read_pattern
from app.settings import BadSetting

DONE, BAD = 0, 2
POLL_S = 1.0


def add_parser(subparsers: Any) -> None:
    """Describe the command's options."""
    parser = subparsers.add_parser(
        "follow",
        help="bring in scan files as an instrument saves them",
        description="Watches a folder. A file that has stopped growing is fitted and kept: for the device and mode "
        "chosen on the page “Measuring now”, as they were when the file appeared; where nothing is chosen, for the "
        "device its name says. A file is never kept twice; one that belongs nowhere is told and left where it is.",
        epilog="examples:\n  marver follow scope\n  marver follow scope --pattern '{device}_{any}.csv' --once",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument(
        "--pattern", default=DEFAULT, help=f"what names say where nothing is chosen (default {DEFAULT})"
    )
    parser.add_argument("--existing", action="store_true", help="also files that are there already")
    parser.add_argument("--once", action="store_true", help="take what is there and has settled, then stop")
    parser.add_argument("--every", type=float, default=POLL_S, metavar="S", help=f"seconds between looks ({POLL_S:g})")
    lab_door.add_lab_options(parser)
    lab_door.add_scan_options(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Follow until stopped."""
    try:
        if not 0.05 <= args.every <= 3600:
            raise lab_door.NoLabError("--every takes 0.05 to 3600 seconds")
        if not args.folder.is_dir():
            raise lab_door.NoLabError(f"{args.folder} is no folder")
        settings = lab_door.settings_of(args)
        pattern = read_pattern(args.pattern)
        with lab_door.opened(settings) as database:
            return _follow(args, settings, database, pattern)
    except (BadSetting, BadPattern, lab_door.NoLabError) as why:
        print(f"marver follow: {why}", file=sys.stderr)
        return BAD


def _follow(args: argparse.Namespace, settings: Any, database: Any, pattern: NamePattern) -> int:
    from app.files import FileStore

    with database.reading() as session:
        operator_id = lab_door.person_id(session, args)
    keeper = Keeper(
        database,
        FileStore(settings.files),
        pattern,
        operator_id,
        lab_door.reading_from(args),
        lab_door.common_from(args),
        args.accept,
    )
    watch = Watch(args.folder)
    if not (args.existing or args.once):
        watch.ignore_present()
    print(f"Following {args.folder}; stop with Ctrl C.", flush=True)
    while True:
        for place, chosen in watch.look(keeper.chosen):
            print(keeper.keep(place, chosen), flush=True)
        if args.once and not watch.growing:
            return DONE
        time.sleep(args.every)


@dataclass
class Watch:
    """A folder looked at again and again: a file is handed on once its size and time stayed the same for one look."""

    folder: Path
    done: dict[str, tuple[int, int]] = field(default_factory=dict)
    growing: dict[str, tuple[tuple[int, int], Any]] = field(default_factory=dict)

    def ignore_present(self) -> None:
        """Leave alone what is there now."""
        self.done = self._now()

    def look(self, chosen: Callable[[], Any]) -> list[tuple[Path, Any]]:
        """Files that have settled, each with what was chosen when it appeared."""
        settled = []
        now = self._now()
        for name, state in sorted(now.items(), key=lambda pair: (pair[1][1], pair[0])):
            if self.done.get(name) == state or not state[0]:
                continue
            before = self.growing.get(name)
            if before is None:
                self.growing[name] = (state, chosen())
            elif before[0] != state:
                self.growing[name] = (state, before[1])
            else:
                self.done[name] = state
                settled.append((self.folder / name, self.growing.pop(name)[1]))
        for gone in self.growing.keys() - now.keys():
            del self.growing[gone]
        return settled

    def _now(self) -> dict[str, tuple[int, int]]:
        found = {}
        try:
            for each in self.folder.iterdir():
                if each.name.startswith(".") or not each.is_file():
                    continue
                at = each.stat()
                found[each.name] = (at.st_size, at.st_mtime_ns)
        except OSError as why:
            if not self.folder.is_dir():
                raise lab_door.NoLabError(f"{self.folder} is no longer there: {why.strerror or why}") from why
        return found


@dataclass
class Keeper:
    """Keeps one file after another."""

    database: Any
    files: Any
    pattern: NamePattern
    operator_id: int
    reading: dict[str, Any]
    common: dict[str, Any]
    accept: bool

    def chosen(self) -> Any:
        """What is being measured now."""
        from app.queries.intake import measuring_now

        with self.database.reading() as session:
            return measuring_now(session)

    def keep(self, place: Path, chosen: Any) -> str:
        """Keep one file; what became of it in one line."""
        from app.actions.intake import Source, Sweep, keep_intake, plan_intake
        from app.cli.bring_in import line_of
        from app.core.refusal import Refusal
        from app.queries.intake import intake_facts

        with self.database.reading() as session:
            facts = intake_facts(session)
        try:
            landed = datetime.fromtimestamp(place.stat().st_mtime, UTC)
        except OSError as why:
            return f"{place.name}: {why.strerror or why}"
        source = Source(place.name, place, landed=landed)
        if chosen is None:
            sweep = Sweep(self.reading, self.common, accept=self.accept)
            rows = plan_intake([source], self.pattern, facts, sweep)
        else:
            common = dict(chosen.common)
            reading = {**self.reading, **(common.pop("reading", None) or {})}
            sweep = Sweep(reading, {**self.common, **common}, chosen.device, chosen.mode or "", self.accept)
            rows = plan_intake([source], None, facts, sweep)
        who = chosen.operator_id if chosen is not None and chosen.operator_id else self.operator_id
        if rows[0].state == "ready":
            try:
                rows = keep_intake(self.database, self.files, rows, operator_id=who)
            except Refusal:
                rows = keep_intake(self.database, self.files, rows, operator_id=who, dry_run=True)
        row = rows[0]
        said = line_of(row)
        if row.state == "kept":
            return f"{place.name}: kept as scan {row.scan_id} of {said}"
        if row.state == "refused" and chosen is None:
            said += " Choose what is being measured on the page “Measuring now”, then save it again."
        return f"{place.name}: {said}"
